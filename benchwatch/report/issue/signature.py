"""Detached signatures of files, in the open minisign format: Ed25519 over BLAKE2b of the file.

The signature stands in a file of its own beside the signed one, with ``.minisig`` added to its
name: an untrusted comment; in base64 ``ED``, the id of the key (8 bytes) and the signature (64) of
the file's BLAKE2b-512; a trusted comment; and in base64 the signature of signature and trusted
comment. Any program that knows the format can check it. The program never signs by itself: the key
is the laboratory's, and it is named each time.

`key_files.make_keys` makes keys. Needs the extra ``report``.
"""

import base64
import binascii
import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from benchwatch.errors import FileError
from benchwatch.quantity import printable
from benchwatch.report.issue.key_files import (
    ED25519,
    Password,
    PublicKey,
    ed25519_library,
    ident_text,
    read_lines,
    read_secret_key,
)
from benchwatch.report.whole_file import shown_path, write_whole

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

ENDING: Final = ".minisig"
PREHASHED: Final = b"ED"
UNTRUSTED: Final = "untrusted comment: "
TRUSTED: Final = "trusted comment: "
LONGEST_COMMENT: Final = 1000
_AT_ONCE: Final = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class SignatureCheck:
    """Whether a signature is that of a file, by a key."""

    sound: bool
    text: str
    """The same as a sentence, without a full stop: what was found, or what is wrong."""
    comment: str = ""
    """The trusted comment, which was signed too; printable, and empty unless `sound`."""


def signature_path(path: Path) -> Path:
    """Return where the signature of a file stands: beside it."""
    return path.with_name(path.name + ENDING)


def sign_file(path: Path, key_file: Path, password: Password, comment: str) -> Path:
    """Sign a file; return the path of the signature, which replaces an earlier one.

    Args:
        path: the file.
        key_file: the secret key.
        password: asks for the password; called only where the key is encrypted.
        comment: is signed too: what the file is, in one line, such as ``0417 / visit 12 / issue
            1, 2026-11-29``.

    Raises:
        FileError: file or key can't be read, or the signature can't be written.
        UsageError: the password is wrong, or the extra is not installed.
    """
    library = ed25519_library()
    digest = file_digest(path)
    secret = read_secret_key(key_file, password)
    signer = library.Ed25519PrivateKey.from_private_bytes(secret.seed)
    if signer.public_key().public_bytes_raw() != secret.public.key:
        raise FileError(f"{shown_path(key_file)} is damaged: its two keys are no pair.")
    words = printable(comment, LONGEST_COMMENT)
    signature = signer.sign(digest)
    lines = (
        f"{UNTRUSTED}signature by key {secret.public.name}",
        base64.b64encode(PREHASHED + secret.public.ident + signature).decode(),
        f"{TRUSTED}{words}",
        base64.b64encode(signer.sign(signature + words.encode())).decode(),
    )
    made = signature_path(path)
    write_whole(made, ("\n".join(lines) + "\n").encode(), replaces=True)
    return made


def check_signature(path: Path, key: PublicKey, signature: Path | None = None) -> SignatureCheck:
    """Check the signature of a file by a public key (`key_files.read_public_key`).

    Args:
        path: the file.
        key: the public key of whoever should have signed it.
        signature: path of the signature; None: the one beside the file.

    Raises:
        FileError: file or signature can't be read, or the signature is in no form of a signature.
        UsageError: the extra is not installed.
    """
    library = ed25519_library()
    made = signature or signature_path(path)
    found = _read_signature(made)
    if found.ident != key.ident:
        return SignatureCheck(
            sound=False, text=f"signed by key {ident_text(found.ident)}, and not by {key.name}"
        )
    checker = library.Ed25519PublicKey.from_public_bytes(key.key)
    if not _fits(checker, found.signature, _message(path, found.kind)):
        return SignatureCheck(
            sound=False, text="the signature does not fit: the file is not the one that was signed"
        )
    if not _fits(checker, found.whole, found.signature + found.comment.encode()):
        return SignatureCheck(
            sound=False, text="the signature fits the file, but its comment was changed"
        )
    comment = printable(found.comment, LONGEST_COMMENT)
    text = f"signed by key {key.name}" + (f": {comment}" if comment else "")
    return SignatureCheck(sound=True, text=text, comment=comment)


def _fits(checker: "Ed25519PublicKey", signature: bytes, message: bytes) -> bool:
    """Return whether a signature is that of a message."""
    from cryptography.exceptions import InvalidSignature  # noqa: PLC0415 - an extra

    try:
        checker.verify(signature, message)
    except InvalidSignature:
        return False
    return True


def file_digest(path: Path) -> bytes:
    """Return the BLAKE2b-512 of a file.

    Raises:
        FileError: it can't be read.
    """
    digest = hashlib.blake2b()
    try:
        with path.open("rb") as file:
            while piece := file.read(_AT_ONCE):
                digest.update(piece)
    except OSError as error:
        raise FileError(f"{shown_path(path)} can't be read: {error.strerror}.") from error
    return digest.digest()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Signature:
    """What a signature file has."""

    kind: bytes
    ident: bytes
    signature: bytes
    comment: str
    whole: bytes
    """Signature of signature and comment."""


def _read_signature(path: Path) -> _Signature:
    """Read a signature file.

    Raises:
        FileError: it can't be read, or is none.
    """
    lines = [*read_lines(path, "signature"), "", "", "", ""]
    try:
        data, whole = (base64.b64decode(lines[place], validate=True) for place in (1, 3))
    except (binascii.Error, ValueError):
        data = whole = b""
    known = data[:2] in {ED25519, PREHASHED} and lines[2].startswith(TRUSTED)
    if not known or (len(data), len(whole)) != (74, 64):
        raise FileError(
            f"{shown_path(path)} is no signature: give the file ending in {ENDING} that came with "
            "the report."
        )
    return _Signature(
        kind=data[:2],
        ident=data[2:10],
        signature=data[10:],
        comment=lines[2].removeprefix(TRUSTED),
        whole=whole,
    )


def _message(path: Path, kind: bytes) -> bytes:
    """Return what was signed: the hash of the file, or in the older form the file itself."""
    if kind == PREHASHED:
        return file_digest(path)
    try:
        return path.read_bytes()
    except OSError as error:
        raise FileError(f"{shown_path(path)} can't be read: {error.strerror}.") from error
