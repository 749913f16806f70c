"""A small certificate authority: its own certificate, those that it signs, and what it revokes.

Keys are on the curve P-256 with SHA-256, which every TLS library of today has, and which costs a
small computer little. A certificate can do one thing only: a station's can't stand for the broker.
RFC 5280 says what the extensions mean.
"""

import re
import secrets
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from typing import TYPE_CHECKING, Any, Final, Literal

from benchwatch.errors import UsageError
from benchwatch.quantity import printable
from benchwatch.relay.certificate_files import x509_library

if TYPE_CHECKING:
    from cryptography.x509 import Certificate, CertificateRevocationList, GeneralName

AUTHORITY_DAYS: Final = 3650
"""Ten years: a new authority means new files on every station, so it outlives some renewals."""
CERTIFICATE_DAYS: Final = 730
"""Two years: a copy of a key that nobody knows of is worth nothing after that."""
EARLIER: Final = timedelta(hours=1)
"""So much before now a certificate begins, as the clocks of the computers may differ."""

LONGEST_HOST: Final = 253
_HOST: Final = re.compile(r"(?!-)[A-Za-z0-9-]{1,63}(?<!-)(\.(?!-)[A-Za-z0-9-]{1,63}(?<!-))*")
"""Names of hosts, RFC 1123 section 2.1; others stand in no certificate."""

Use = Literal["client", "server"]
"""What a certificate is for: a station, keeper or desk, or else the broker."""


@dataclass(frozen=True, slots=True)
class Signed:
    """A certificate and the private key that belongs to it."""

    certificate: "Certificate"
    key: Any


@dataclass(frozen=True, slots=True)
class Authority:
    """Who signs."""

    certificate: "Certificate"
    key: Any

    @property
    def ends(self) -> datetime:
        """When its own certificate ends, and with it all that it signed."""
        return self.certificate.not_valid_after_utc

    def sign(self, name: str, use: Use, hosts: Sequence[str], now: datetime) -> Signed:
        """Make a key, and a certificate for it.

        Args:
            name: the common name.
            use: what it is for.
            hosts: names and addresses that stand in it; at least one.
            now: with a zone.
        """
        x509 = x509_library()
        purposes = x509.ExtendedKeyUsageOID
        purpose = purposes.CLIENT_AUTH if use == "client" else purposes.SERVER_AUTH
        key = _new_key()
        ends = min(now + timedelta(days=CERTIFICATE_DAYS), self.ends)
        builder = (
            _builder(name, self.certificate.subject, key, now, ends)
            .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
            .add_extension(_key_usage(signs_certificates=False), critical=True)
            .add_extension(x509.ExtendedKeyUsage([purpose]), critical=False)
            .add_extension(
                x509.AuthorityKeyIdentifier.from_issuer_public_key(self.key.public_key()),
                critical=False,
            )
            .add_extension(
                x509.SubjectAlternativeName([_general_name(host) for host in hosts]),
                critical=False,
            )
        )
        return Signed(builder.sign(self.key, _sha256()), key)

    def revocation_list(
        self,
        revoked: "Sequence[tuple[int, datetime]]",
        now: datetime,
        last: "CertificateRevocationList | None" = None,
    ) -> "CertificateRevocationList":
        """Make the list of certificates that count no more.

        It holds until the authority itself ends: a broker refuses everybody when its list is out
        of date, and the authority's key is offline.

        Args:
            revoked: serial numbers and when each was revoked.
            now: with a zone.
            last: the list before, which has to be the older one of the two: a broker that read
                both goes by the newer.
        """
        x509 = x509_library()
        made, number = now - EARLIER, 1
        if last is not None:
            made = max(made, last.last_update_utc + timedelta(seconds=1))
            number = 1 + last.extensions.get_extension_for_class(x509.CRLNumber).value.crl_number
        builder = (
            x509.CertificateRevocationListBuilder()
            .issuer_name(self.certificate.subject)
            .last_update(made)
            .next_update(self.ends)
            .add_extension(x509.CRLNumber(number), critical=False)
            .add_extension(
                x509.AuthorityKeyIdentifier.from_issuer_public_key(self.key.public_key()),
                critical=False,
            )
        )
        for serial, at in revoked:
            entry = x509.RevokedCertificateBuilder().serial_number(serial).revocation_date(at)
            builder = builder.add_revoked_certificate(entry.build())
        found: CertificateRevocationList = builder.sign(self.key, _sha256())
        return found


def new_authority(now: datetime) -> Authority:
    """Make an authority. Its name ends in random digits, by which two can be told apart."""
    x509 = x509_library()
    key = _new_key()
    name = f"Benchwatch relay authority {secrets.token_hex(4)}"
    subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)])
    builder = (
        _builder(name, subject, key, now, now + timedelta(days=AUTHORITY_DAYS))
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_key_usage(signs_certificates=True), critical=True)
    )
    return Authority(builder.sign(key, _sha256()), key)


def check_host(host: str) -> str:
    """Return a host name or an address that can stand in the broker's certificate.

    Raises:
        UsageError: it is neither.
    """
    with suppress(ValueError):
        return str(ip_address(host if "%" not in host else ""))
    if len(host) > LONGEST_HOST or not _HOST.fullmatch(host):
        raise UsageError(
            f"'{printable(host)}' is neither the name nor the address of a computer: give the one "
            "that stations will use, such as broker.example or 192.0.2.7, without a port."
        )
    return host.lower()


def names_in(certificate: "Certificate") -> list[str]:
    """Return the host names and addresses that stand in a certificate."""
    x509 = x509_library()
    names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    return [str(one.value) for one in names]


def is_for(certificate: "Certificate") -> Use:
    """Return what a certificate is for."""
    x509 = x509_library()
    purposes = certificate.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    return "server" if x509.ExtendedKeyUsageOID.SERVER_AUTH in purposes else "client"


def certificate_pem(signed: Any) -> bytes:
    """Return a certificate or a revocation list as PEM."""
    from cryptography.hazmat.primitives.serialization import Encoding  # noqa: PLC0415 - an extra

    content: bytes = signed.public_bytes(Encoding.PEM)
    return content


def key_pem(key: Any) -> bytes:
    """Return a private key as PEM, without a password: it is for programs that start alone."""
    from cryptography.hazmat.primitives.serialization import (  # noqa: PLC0415 - an extra
        Encoding,
        NoEncryption,
        PrivateFormat,
    )

    content: bytes = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    return content


def utc_now() -> datetime:
    """Return the moment by the computer's clock, without a part of a second (RFC 5280, 4.1.2.5)."""
    return datetime.now(UTC).replace(microsecond=0)


def _builder(name: str, issuer: Any, key: Any, now: datetime, ends: datetime) -> Any:
    x509 = x509_library()
    return (
        x509.CertificateBuilder()
        .subject_name(x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)]))
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - EARLIER)
        .not_valid_after(ends)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )


def _key_usage(*, signs_certificates: bool) -> Any:
    return x509_library().KeyUsage(
        digital_signature=not signs_certificates, content_commitment=False,
        key_encipherment=False, data_encipherment=False, key_agreement=False,
        key_cert_sign=signs_certificates, crl_sign=signs_certificates,
        encipher_only=False, decipher_only=False,
    )  # fmt: skip


def _general_name(host: str) -> "GeneralName":
    x509 = x509_library()
    try:
        found: GeneralName = x509.IPAddress(ip_address(host))
    except ValueError:
        found = x509.DNSName(host)
    return found


def _new_key() -> Any:
    from cryptography.hazmat.primitives.asymmetric import ec  # noqa: PLC0415 - an extra

    return ec.generate_private_key(ec.SECP256R1())


def _sha256() -> Any:
    from cryptography.hazmat.primitives import hashes  # noqa: PLC0415 - an extra

    return hashes.SHA256()
