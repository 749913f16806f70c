"""The certificates that an authority issued and those that it revoked, as its folder keeps them."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from benchwatch.errors import FileError
from benchwatch.relay.certificate_files import (
    common_name,
    read_bytes,
    read_certificates,
    shown,
    x509_library,
)
from benchwatch.relay.setup.authority import is_for, names_in

if TYPE_CHECKING:
    from cryptography.x509 import Certificate, CertificateRevocationList

ISSUED: Final = "issued"
"""Folder of the certificates, in that of the authority."""


@dataclass(frozen=True, slots=True)
class Issued:
    """A certificate that the authority issued."""

    name: str
    serial: int
    hosts: tuple[str, ...]
    """Of the broker: its names and addresses."""
    begins: datetime
    ends: datetime
    revoked: datetime | None
    """When it was revoked; None: it was not."""


def read_revocation_list(path: Path) -> "CertificateRevocationList":
    """Return the list of certificates that count no more.

    Raises:
        FileError: it can't be read.
    """
    content = read_bytes(path, "the revocation list")
    try:
        found: CertificateRevocationList = x509_library().load_pem_x509_crl(content)
    except ValueError as error:
        raise FileError(
            f"{shown(path)} is no revocation list: bring back the one that relay init or relay "
            "revoke wrote; the broker has a copy."
        ) from error
    return found


def read_issued(place: Path, last: "CertificateRevocationList") -> list[Issued]:
    """Return all certificates that were issued, oldest first.

    Args:
        place: folder of the authority.
        last: says which of them are revoked, and when.

    Raises:
        FileError: one can't be read.
    """
    files = sorted((place / ISSUED).glob("*.crt"))
    read = [read_certificates(file, "a certificate that was issued")[0] for file in files]
    return sorted((_issued(one, last) for one in read), key=lambda one: (one.begins, one.serial))


def _issued(certificate: "Certificate", last: "CertificateRevocationList") -> Issued:
    entry = last.get_revoked_certificate_by_serial_number(certificate.serial_number)
    hosts = tuple(names_in(certificate)) if is_for(certificate) == "server" else ()
    return Issued(
        common_name(certificate), certificate.serial_number, hosts,
        certificate.not_valid_before_utc, certificate.not_valid_after_utc,
        None if entry is None else entry.revocation_date_utc,
    )  # fmt: skip
