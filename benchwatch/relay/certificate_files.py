"""Certificates and private keys in PEM files, read with a sentence for all that may be wrong."""

from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any, Final

from benchwatch.errors import FileError, UsageError
from benchwatch.quantity import printable
from benchwatch.system.installation import extra_words

if TYPE_CHECKING:
    from cryptography.x509 import Certificate

EXTRA: Final = "relay"
LONGEST_FILE: Final = 1 << 18
"""Bytes of a file of certificates; a longer one is something else."""


def x509_library() -> ModuleType:
    """Return the module that reads and writes certificates.

    Raises:
        UsageError: the extra is not installed.
    """
    try:
        from cryptography import x509  # noqa: PLC0415 - an extra
    except ImportError as error:
        raise UsageError(
            f"certificates need a library that is not installed ({error.name}): "
            f"{extra_words(EXTRA)}. Without one, a broker on this computer alone can be used."
        ) from error
    return x509


def shown(path: Path) -> str:
    """Return a path as a sentence shows it."""
    return printable(str(path), 300)


def read_bytes(path: Path, what: str) -> bytes:
    """Return the content of a file.

    Args:
        path: of the file.
        what: what it should hold, for messages.

    Raises:
        FileError: it is missing, can't be read, or is too long for what it should hold.
    """
    try:
        with path.open("rb") as file:
            content = file.read(LONGEST_FILE + 1)
    except FileNotFoundError as error:
        raise FileError(
            f"there is no {shown(path)}, which should hold {what}: give the folder "
            "as relay init wrote it."
        ) from error
    except OSError as error:
        raise FileError(f"{shown(path)} can't be read: {error.strerror}.") from error
    if len(content) > LONGEST_FILE:
        raise FileError(f"{shown(path)} is too long for {what}: give the right file.")
    return content


def read_certificates(path: Path, what: str) -> "list[Certificate]":
    """Return the certificates of a file, at least one.

    Raises:
        FileError: there are none, or the file can't be read.
        UsageError: the extra is not installed.
    """
    library, content = x509_library(), read_bytes(path, what)
    try:
        found: list[Certificate] = library.load_pem_x509_certificates(content)
    except ValueError as error:
        raise FileError(
            f"{shown(path)} holds no certificate that can be read: it should hold {what}. "
            "Copy it anew from where relay init wrote it."
        ) from error
    return found


def read_private_key(path: Path, what: str) -> Any:
    """Return the private key of a file.

    Raises:
        FileError: there is none, it has a password, or the file can't be read.
        UsageError: the extra is not installed.
    """
    x509_library()
    from cryptography.exceptions import UnsupportedAlgorithm  # noqa: PLC0415 - an extra
    from cryptography.hazmat.primitives.serialization import (  # noqa: PLC0415 - an extra
        load_pem_private_key,
    )

    content = read_bytes(path, what)
    try:
        return load_pem_private_key(content, None)
    except TypeError as error:
        raise FileError(
            f"the key {shown(path)} has a password, which nobody could type while this "
            "runs by itself: remove it, and let only the program's user read the file."
        ) from error
    except (ValueError, UnsupportedAlgorithm) as error:
        raise FileError(
            f"{shown(path)} holds no private key that can be read: it should hold {what}. "
            "Copy it anew from where relay init wrote it."
        ) from error


def common_name(certificate: "Certificate") -> str:
    """Return the common name of a certificate's subject; empty: it has none, or several."""
    found = certificate.subject.get_attributes_for_oid(x509_library().NameOID.COMMON_NAME)
    return str(found[0].value) if len(found) == 1 else ""


def day(moment: datetime) -> str:
    """Write the minute of a moment in UTC, as for the limits of a certificate."""
    return f"{moment.astimezone(UTC):%Y-%m-%d %H:%M} UTC"
