"""Certificates as another program would make them: valid, expired, of somebody else's authority.

It shares no code with `benchwatch.relay`.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

DAY = timedelta(days=1)


@dataclass(frozen=True)
class MadeAuthority:
    """An authority's key and certificate."""

    key: Any
    certificate: x509.Certificate

    @classmethod
    def read(cls, folder: Path) -> "MadeAuthority":
        """Read one from ``authority.key`` and ``authority.crt``."""
        key = load_pem_private_key((folder / "authority.key").read_bytes(), None)
        return cls(key, x509.load_pem_x509_certificate((folder / "authority.crt").read_bytes()))


def made_authority(
    name: str = "another authority", begins: timedelta = -DAY, ends: timedelta = 3650 * DAY
) -> MadeAuthority:
    """Make an authority; its limits are counted from now."""
    key = ec.generate_private_key(ec.SECP256R1())
    certificate = _builder(name, name, key, begins, ends).add_extension(
        x509.BasicConstraints(ca=True, path_length=None), critical=True
    )
    return MadeAuthority(key, certificate.sign(key, hashes.SHA256()))


def write_identity(
    folder: Path,
    authority: MadeAuthority,
    name: str,
    *,
    begins: timedelta = -DAY,
    ends: timedelta = 365 * DAY,
    password: bytes | None = None,
) -> Path:
    """Write a folder with authority.crt, client.crt and client.key (only its owner reads it)."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = authority.certificate.subject.get_attributes_for_oid(NameOID.COMMON_NAME)[0].value
    certificate = (
        _builder(name, str(subject), key, begins, ends)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.CLIENT_AUTH]), critical=False)
        .sign(authority.key, hashes.SHA256())
    )
    folder.mkdir(parents=True)
    (folder / "authority.crt").write_bytes(authority.certificate.public_bytes(Encoding.PEM))
    (folder / "client.crt").write_bytes(certificate.public_bytes(Encoding.PEM))
    hidden = NoEncryption() if password is None else BestAvailableEncryption(password)
    (folder / "client.key").touch(0o600)
    (folder / "client.key").write_bytes(
        key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, hidden)
    )
    return folder


def _builder(
    name: str, issuer: str, key: Any, begins: timedelta, ends: timedelta
) -> x509.CertificateBuilder:
    now = datetime.now(UTC)
    return (
        x509.CertificateBuilder()
        .subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)]))
        .issuer_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, issuer)]))
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now + begins)
        .not_valid_after(now + ends)
    )
