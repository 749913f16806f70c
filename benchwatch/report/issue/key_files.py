"""Keys for detached signatures, in files of the open minisign format.

The first line of a file is a comment, the second one is in base64. Of a public key that is: ``Ed``,
the id of the key (8 bytes), and the Ed25519 public key (32). Of a secret key: ``Ed``; ``Sc`` where
it is encrypted, else two zero bytes; ``B2``; a salt (32); two cost numbers of scrypt (64 bits each,
little-endian); then 104 bytes: the id, the Ed25519 seed and public key (64), and a checksum (32),
which is the BLAKE2b of ``Ed``, id, seed and public key. Where it is encrypted, the 104 bytes are
combined with as many bytes of scrypt by exclusive or.

Ed25519: RFC 8032; BLAKE2b: RFC 7693; scrypt: RFC 7914.
"""

import base64
import binascii
import hashlib
import os
import secrets
import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Final

from benchwatch.errors import FileError, UsageError
from benchwatch.quantity import printable
from benchwatch.report.forms.typst_compiler import EXTRA
from benchwatch.report.whole_file import shown_path
from benchwatch.system.installation import extra_words

ED25519: Final = b"Ed"
_SCRYPT: Final = b"Sc"
_NOT_ENCRYPTED: Final = b"\0\0"
_BLAKE2: Final = b"B2"
_SECRET_HEAD: Final = struct.Struct("<2s2s2s32sQQ")
_KEY_BYTES: Final = 104
COST: Final = 1 << 22
MEMORY: Final = 1 << 27
"""Cost numbers of a new encrypted key: scrypt with N = 2^17, r = 8, p = 1, in 128 MB."""
LARGEST_COST: Final = 1 << 25
LARGEST_MEMORY: Final = 1 << 30
"""The largest ones that are accepted: 1 GB."""
LONGEST_FILE: Final = 4096
"""Bytes of a key or signature file; a longer one is something else."""

Password = Callable[[], str]
"""Asks for the password of a key; called only for a key that is encrypted."""


@dataclass(frozen=True, slots=True)
class PublicKey:
    """A public key and its id."""

    ident: bytes
    """8 bytes, by which a signature names its key."""
    key: bytes
    """32 bytes."""

    @property
    def name(self) -> str:
        """The id as it is written."""
        return ident_text(self.ident)


@dataclass(frozen=True, slots=True)
class SecretKey:
    """A secret key with its public one."""

    public: PublicKey
    seed: bytes
    """32 bytes."""


def ident_text(ident: bytes) -> str:
    """Write the id of a key: 16 hexadecimal digits."""
    return f"{int.from_bytes(ident, 'little'):016X}"


def ed25519_library() -> ModuleType:
    """Return the module that signs and checks.

    Raises:
        UsageError: the extra is not installed.
    """
    try:
        from cryptography.hazmat.primitives.asymmetric import (  # noqa: PLC0415 - an extra
            ed25519,
        )
    except ImportError as error:
        raise UsageError(
            f"signatures need a library that is not installed ({error.name}): "
            f"{extra_words(EXTRA)}. Reports are made and issued without it."
        ) from error
    return ed25519


def make_keys(secret: Path, public: Path, password: str | None) -> PublicKey:
    """Make a pair of keys and write each into a new file; only the owner can read the secret one.

    Args:
        secret: path of the secret key; it must stay in the laboratory.
        public: path of the public key; it is for whoever gets reports.
        password: encrypts the secret key; None or empty: it is not encrypted.

    Raises:
        FileError: a file is there already, or can't be written.
        UsageError: both paths are the same, or the extra is not installed.
    """
    library = ed25519_library()
    if secret.absolute() == public.absolute():
        raise UsageError("secret and public key need a file each: give two names.")
    for path in (secret, public):
        if path.exists():
            raise FileError(
                f"there is {shown_path(path)} already, and a key is never written over: reports "
                "signed with it could not be checked any more. Give another name."
            )
    seed = secrets.token_bytes(32)
    made = library.Ed25519PrivateKey.from_private_bytes(seed).public_key().public_bytes_raw()
    key = PublicKey(secrets.token_bytes(8), made)
    _write_new(secret, _secret_text(SecretKey(key, seed), password or ""), mode=0o600)
    _write_new(public, _public_text(key), mode=0o644)
    return key


def read_public_key(text_or_path: str | Path) -> PublicKey:
    """Read a public key from a file, or from its line in base64.

    Raises:
        FileError: it is none, or can't be read.
    """
    if isinstance(text_or_path, Path):
        where = shown_path(text_or_path)
        lines = read_lines(text_or_path, "public key")
        line = lines[1] if len(lines) > 1 else ""
    else:
        where, line = "the typed key", text_or_path.strip()
    data = _decoded(line, where, "public key")
    if len(data) != 42 or data[:2] != ED25519:
        what = "is a secret key" if len(data) > 100 else "is no public key of a signature"
        raise FileError(f"{where} {what}: give the file that was made as the public key.")
    return PublicKey(data[2:10], data[10:])


def read_secret_key(path: Path, password: Password) -> SecretKey:
    """Read a secret key.

    Args:
        path: of its file.
        password: called where it is encrypted.

    Raises:
        FileError: it is none, is damaged, or can't be read.
        UsageError: the password is wrong.
    """
    where, lines = shown_path(path), read_lines(path, "secret key")
    data = _decoded(lines[1] if len(lines) > 1 else "", where, "secret key")
    if len(data) != _SECRET_HEAD.size + _KEY_BYTES:
        what = "is a public key" if len(data) == 42 else "is no secret key of a signature"
        raise FileError(f"{where} {what}: give the file that was made as the secret key.")
    kind, hidden_by, checked_by, salt, cost, memory = _SECRET_HEAD.unpack_from(data)
    is_encrypted = hidden_by == _SCRYPT
    if (kind, checked_by) != (ED25519, _BLAKE2) or hidden_by not in {_SCRYPT, _NOT_ENCRYPTED}:
        raise FileError(f"{where} is a secret key of a form that this program does not know.")
    body = data[_SECRET_HEAD.size :]
    if is_encrypted:
        if cost > LARGEST_COST or memory > LARGEST_MEMORY:
            raise FileError(
                f"{where} asks for {memory / 2**30:.3g} GB to be decrypted: at most "
                f"{LARGEST_MEMORY >> 30} GB is used. Make the key anew."
            )
        body = _combined(body, _stream(password(), salt, cost, memory, where))
    ident, seed, public, checksum = body[:8], body[8:40], body[40:72], body[72:]
    is_sound = checksum == _checksum(ident, seed + public)
    if is_encrypted and not is_sound:
        raise UsageError(f"the password of {where} is wrong: type it again.")
    if not is_sound and any(checksum):  # other programs write zeros where nothing is encrypted
        raise FileError(f"{where} is damaged: its checksum is wrong. Take it from a copy.")
    return SecretKey(PublicKey(ident, public), seed)


def read_lines(path: Path, what: str) -> list[str]:
    """Return the lines of a small text file.

    Args:
        path: of the file.
        what: what the file should be, for messages.

    Raises:
        FileError: it can't be read, or is too long for what it should be.
    """
    where = shown_path(path)
    try:
        with path.open("rb") as file:
            content = file.read(LONGEST_FILE + 1)
    except OSError as error:
        raise FileError(f"the {what} {where} can't be read: {error.strerror}.") from error
    if len(content) > LONGEST_FILE:
        raise FileError(f"{where} is too long for a {what}: give the right file.")
    try:
        return [line.rstrip("\r") for line in content.decode().split("\n")]
    except UnicodeDecodeError as error:
        raise FileError(f"{where} is no {what}: give the right file.") from error


def _secret_text(key: SecretKey, password: str) -> str:
    body = key.public.ident + key.seed + key.public.key
    body += _checksum(key.public.ident, body[8:])
    salt, cost, memory, hidden_by = bytes(32), 0, 0, _NOT_ENCRYPTED
    if password:
        salt, cost, memory, hidden_by = secrets.token_bytes(32), COST, MEMORY, _SCRYPT
        body = _combined(body, _stream(password, salt, cost, memory, "the new key"))
    head = _SECRET_HEAD.pack(ED25519, hidden_by, _BLAKE2, salt, cost, memory)
    word = "encrypted secret key" if password else "secret key"
    return (
        f"untrusted comment: {word} {key.public.name}\n{base64.b64encode(head + body).decode()}\n"
    )


def _public_text(key: PublicKey) -> str:
    line = base64.b64encode(ED25519 + key.ident + key.key).decode()
    return f"untrusted comment: public key {key.name}\n{line}\n"


def _write_new(path: Path, text: str, *, mode: int) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
        with os.fdopen(descriptor, "w", encoding="ascii", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise FileError(
            f"the key can't be written to {shown_path(path)}: {error.strerror}."
        ) from error


def _decoded(line: str, where: str, what: str) -> bytes:
    try:
        return base64.b64decode(line, validate=True)
    except (binascii.Error, ValueError) as error:
        raise FileError(
            f"{where} is no {what}: '{printable(line, 40)}' is not in base64. Give the right file."
        ) from error


def _checksum(ident: bytes, key: bytes) -> bytes:
    return hashlib.blake2b(ED25519 + ident + key, digest_size=32).digest()


def _combined(data: bytes, stream: bytes) -> bytes:
    return bytes(one ^ other for one, other in zip(data, stream, strict=True))


def _stream(password: str, salt: bytes, cost: int, memory: int, where: str) -> bytes:
    """Return the bytes of scrypt by which a key is hidden.

    Raises:
        FileError: there is too little memory for it.
    """
    rounds, parallel = scrypt_numbers(cost, memory)
    try:
        return hashlib.scrypt(
            password.encode(), salt=salt, n=rounds, r=8, p=parallel,
            maxmem=LARGEST_MEMORY + (1 << 24), dklen=_KEY_BYTES,
        )  # fmt: skip
    except (ValueError, MemoryError) as error:
        raise FileError(
            f"there is too little memory to decrypt {where}: close other programs, and try again."
        ) from error


def scrypt_numbers(cost: int, memory: int) -> tuple[int, int]:
    """Return N and p of scrypt with r = 8 for the two cost numbers of the format.

    N is the largest power of two within the limits; what is left of the cost goes into p.
    """
    cost = max(cost, 32768)
    if cost < memory // 32:
        return _power_of_two(cost // 32), 1
    rounds = _power_of_two(memory // 1024)
    return rounds, max(min(cost // 4 // rounds, 0x3FFFFFFF) // 8, 1)


def _power_of_two(most: int) -> int:
    """Return the largest power of two up to `most`, at least 2."""
    return 1 << max(most.bit_length() - 1, 1)
