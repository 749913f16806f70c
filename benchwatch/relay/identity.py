"""The identity of a station, a keeper or a desk: a folder with a certificate and its key.

The folder holds ``authority.crt`` (who is trusted), ``client.crt`` and ``client.key`` (who this
is), as ``relay init`` writes them.
"""

import ssl
import sys
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final, Self

from benchwatch.errors import FileError
from benchwatch.quantity import printable
from benchwatch.relay.certificate_files import (
    common_name,
    day,
    read_certificates,
    read_private_key,
    shown,
    x509_library,
)
from benchwatch.relay.station_name import RESERVED, is_station_name

if TYPE_CHECKING:
    from cryptography.x509 import Certificate

AUTHORITY_FILE: Final = "authority.crt"
CERTIFICATE_FILE: Final = "client.crt"
KEY_FILE: Final = "client.key"
SOON_S: Final = 30 * 86_400.0
"""A certificate that ends within this time is worth a caution: somebody must renew it."""
_OTHERS: Final = 0o007
"""The rights of users who neither own a file nor belong to its group."""


@dataclass(frozen=True, slots=True)
class Identity:
    """Who this program is towards a broker, and whom it trusts."""

    folder: Path
    name: str
    """The name of the certificate: that of a station, or ``keeper`` or ``desk``."""
    expires_utc_s: float
    """Unix seconds at which the certificate ends."""
    cautions: tuple[str, ...]
    """Sentences on what works, and should be mended."""

    @classmethod
    def load(cls, folder: Path, utc_s: float | None = None) -> Self:
        """Read and check an identity.

        Args:
            folder: with the three files.
            utc_s: Unix seconds of now; None: by the computer's clock.

        Raises:
            FileError: a file is missing, can't be read or does not belong to the others; or the
                certificate is not valid at this time.
            UsageError: the extra is not installed.
        """
        now_s = time.time() if utc_s is None else utc_s
        if not folder.is_dir():
            raise FileError(
                f"there is no folder {shown(folder)}: give one that relay init or relay add wrote."
            )
        authorities = _read_authorities(folder / AUTHORITY_FILE, now_s)
        path = folder / CERTIFICATE_FILE
        certificate = read_certificates(path, "the certificate of this station")[0]
        _check_times(certificate, path, now_s)
        key = read_private_key(folder / KEY_FILE, "the private key of this station")
        if key.public_key() != certificate.public_key():
            raise FileError(
                f"{shown(folder / KEY_FILE)} is not the key of the certificate beside it: "
                "copy both anew from the same folder."
            )
        name = common_name(certificate)
        if not (is_station_name(name) or name in RESERVED):
            raise FileError(
                f"the certificate {shown(path)} is for '{printable(name)}', which is no name of a "
                "station: give a folder that relay init or relay add wrote."
            )
        identity = cls(
            folder, name, certificate.not_valid_after_utc.timestamp(),
            tuple(_cautions(folder, certificate, authorities, now_s)),
        )  # fmt: skip
        identity.ssl_context()
        return identity

    def ssl_context(self) -> ssl.SSLContext:
        """Return the settings of a connection: TLS 1.2 or newer, the host's name checked.

        Only the authority of this folder is trusted, none of the computer's.

        Raises:
            FileError: the files have changed, and can't be used any more.
        """
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)  # checks certificate and host name
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        authority, own, key = (
            self.folder / name for name in (AUTHORITY_FILE, CERTIFICATE_FILE, KEY_FILE)
        )
        try:
            context.load_verify_locations(cafile=authority)
        except (OSError, ValueError) as error:
            raise _unusable(shown(authority), error) from error
        try:
            context.load_cert_chain(own, key, password=_no_password)
        except (OSError, ValueError) as error:
            raise _unusable(f"{shown(own)} with the key {shown(key)}", error) from error
        return context


def _unusable(what: str, error: Exception) -> FileError:
    """Return the error of files that can't be used, though they could when they were read."""
    of_system = isinstance(error, OSError) and not isinstance(error, ssl.SSLError)
    why = f": {printable(str(getattr(error, 'strerror', error)), 100)}" if of_system else ""
    return FileError(
        f"{what} can't be used{why}: copy the files of the folder anew, all from the same relay "
        "init, add or renew."
    )


def _no_password() -> str:
    """Answer OpenSSL in place of a person at the terminal."""
    return ""


def _read_authorities(path: Path, now_s: float) -> "list[Certificate]":
    """Return the certificates of those who are trusted.

    Raises:
        FileError: they can't be read, or none of them is an authority's at this time.
    """
    library = x509_library()
    found = read_certificates(path, "the certificate of the authority")
    for one in found:
        try:
            of_authority = one.extensions.get_extension_for_class(library.BasicConstraints).value.ca
        except (library.ExtensionNotFound, ValueError):
            of_authority = False
        if not of_authority:
            raise FileError(
                f"{shown(path)} holds a certificate that is no authority's: copy the file "
                "authority.crt that relay init wrote."
            )
    for one in found:
        _check_times(one, path, now_s)
    return found


def _check_times(certificate: "Certificate", path: Path, now_s: float) -> None:
    """Refuse a certificate that is not valid now.

    Raises:
        FileError: it has expired, or is not valid yet.
    """
    now = datetime.fromtimestamp(now_s, UTC)
    if now < certificate.not_valid_before_utc:
        raise FileError(
            f"the certificate {shown(path)} is valid only from "
            f"{day(certificate.not_valid_before_utc)} on, and this computer's clock says "
            f"{day(now)}: set the clock, or make a new certificate."
        )
    if now > certificate.not_valid_after_utc:
        raise FileError(
            f"the certificate {shown(path)} expired {day(certificate.not_valid_after_utc)}, and "
            f"this computer's clock says {day(now)}: replace it by a new one (relay renew)."
        )


def _cautions(
    folder: Path, certificate: "Certificate", authorities: "list[Certificate]", now_s: float
) -> list[str]:
    """Return sentences on what works, and should be mended."""
    found = []
    key = folder / KEY_FILE
    if sys.platform != "win32" and key.stat().st_mode & _OTHERS:
        found.append(
            f"every user of this computer can read the key {shown(key)}: chmod 600 it. "
            "If others may have read it, revoke it (relay revoke), and make a new one."
        )
    end = certificate.not_valid_after_utc
    if end.timestamp() - now_s < SOON_S:
        found.append(f"the certificate of {folder.name} ends {day(end)}: renew it (relay renew).")
    if not any(one.subject == certificate.issuer for one in authorities):
        found.append(
            f"the certificate in {shown(folder)} is of another authority than the one beside it: "
            "the broker may refuse it."
        )
    return found
