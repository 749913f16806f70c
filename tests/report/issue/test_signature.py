"""Detached signatures: published vectors, another program of the same format, bad input."""

import base64
import hashlib
import os
import shutil
import stat
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from benchwatch.errors import BenchwatchError, FileError, UsageError
from benchwatch.report.issue.key_files import (
    COST,
    MEMORY,
    PublicKey,
    make_keys,
    read_public_key,
    read_secret_key,
    scrypt_numbers,
)
from benchwatch.report.issue.signature import (
    check_signature,
    file_digest,
    sign_file,
    signature_path,
)

OTHER_PROGRAM = shutil.which("minisign")
needs_other_program = pytest.mark.skipif(
    OTHER_PROGRAM is None,
    reason="NOT CHECKED against another program: minisign (Debian package) is not installed",
)
COMMENT = "0417 / visit 12 / issue 1, 2026-11-29"
RFC_8032 = {  # https://www.rfc-editor.org/rfc/rfc8032, section 7.1
    "test 1": """
        9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60
        d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a
        e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e06522490155
        5fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b""",
    "test 2": """
        4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb
        3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c
        92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da
        085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00
        72""",
    "test 3": """
        c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7
        fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025
        6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac
        18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a
        af82""",
}
"""Secret key, public key, signature and message, in hexadecimal."""


@dataclass(frozen=True)
class Published:
    """A published signature."""

    seed: bytes
    public: bytes
    signature: bytes
    message: bytes


@pytest.fixture(params=list(RFC_8032))
def published(request: pytest.FixtureRequest) -> Published:
    """Return the signatures of RFC 8032, one after the other."""
    data = bytes.fromhex(RFC_8032[request.param])
    return Published(data[:32], data[32:64], data[64:128], data[128:])


def no_password() -> str:
    """Fail: the key is not encrypted."""
    raise AssertionError


@pytest.fixture
def report(tmp_path: Path) -> Path:
    """Return a file to be signed."""
    path = tmp_path / "report.pdf"
    path.write_bytes(b"%PDF made report\n" * 100)
    return path


@pytest.fixture
def keys(tmp_path: Path) -> tuple[Path, Path]:
    """Return a secret and a public key, not encrypted."""
    secret, public = tmp_path / "laboratory.key", tmp_path / "laboratory.pub"
    make_keys(secret, public, None)
    return secret, public


def run_other(*words: str, typed: str = "") -> "subprocess.CompletedProcess[str]":
    """Run the other program."""
    assert OTHER_PROGRAM is not None
    return subprocess.run(
        [OTHER_PROGRAM, *words], input=typed, capture_output=True, text=True, check=False
    )


def change_line(path: Path, number: int, text: str) -> None:
    """Replace a line of a file."""
    lines = path.read_text().split("\n")
    lines[number] = text
    path.write_text("\n".join(lines))


def changed_byte(line: str, place: int) -> str:
    """Return a line in base64 with one byte changed."""
    data = bytearray(base64.b64decode(line))
    data[place] ^= 1
    return base64.b64encode(bytes(data)).decode()


def test_the_hash_is_that_of_rfc_7693(tmp_path: Path):
    """Appendix A: BLAKE2b-512 of the three bytes "abc"."""
    path = tmp_path / "abc"
    path.write_bytes(b"abc")

    assert file_digest(path).hex() == (
        "ba80a53f981c4d0d6a2797b69f12f6e94c212f14685ac4b74b12bb6fdbffa2d1"
        "7d87c5392aab792dc252d5de4533cc9518d38aa8dbf1925ab92386edd4009923"
    )


def test_signatures_of_rfc_8032_are_sound(tmp_path: Path, published: Published):
    """In the older form of the format, whose signature is of the file itself."""
    path, key = tmp_path / "file", PublicKey(bytes(range(8)), published.public)
    path.write_bytes(published.message)
    signer = Ed25519PrivateKey.from_private_bytes(published.seed)
    whole = signer.sign(published.signature + b"as published")
    data = base64.b64encode(b"Ed" + key.ident + published.signature).decode()
    signature_path(path).write_text(
        f"untrusted comment: made\n{data}\ntrusted comment: as published\n"
        f"{base64.b64encode(whole).decode()}\n"
    )
    check = check_signature(path, key)
    path.write_bytes(published.message + b"\0")
    changed = check_signature(path, key)

    assert (check.sound, check.comment) == (True, "as published")
    assert not changed.sound


def test_a_key_of_rfc_8032_signs_as_published(tmp_path: Path, report: Path, published: Published):
    """The key file keeps seed and public key; both signatures are those of the library."""
    ident = bytes(range(8))
    body = ident + published.seed + published.public
    body += hashlib.blake2b(b"Ed" + body, digest_size=32).digest()
    path = tmp_path / "rfc.key"
    data = b"Ed\0\0B2" + bytes(32 + 16) + body
    path.write_text(f"untrusted comment: made\n{base64.b64encode(data).decode()}\n")
    key = read_secret_key(path, no_password)
    signer = Ed25519PrivateKey.from_private_bytes(key.seed)
    _, line, _, whole = sign_file(report, path, no_password, COMMENT).read_text().split("\n")[:4]
    made = signer.sign(hashlib.blake2b(report.read_bytes()).digest())

    assert signer.sign(published.message) == published.signature
    assert key.public.key == published.public
    assert base64.b64decode(line) == b"ED" + ident + made
    assert base64.b64decode(whole) == signer.sign(made + COMMENT.encode())


@pytest.mark.parametrize(
    ("cost", "memory", "numbers"),
    [
        (1 << 25, 1 << 30, (1 << 20, 1)),  # libsodium's SENSITIVE, from memory
        (1 << 19, 1 << 24, (1 << 14, 1)),  # its INTERACTIVE, from memory
        (COST, MEMORY, (1 << 17, 1)),
        (1 << 25, 1 << 24, (1 << 14, 64)),
        (0, 0, (2, 512)),
    ],
)
def test_cost_numbers_of_scrypt(cost: int, memory: int, numbers: tuple[int, int]):
    """The largest N that memory and cost allow; what is left of the cost is p."""
    assert scrypt_numbers(cost, memory) == numbers


def test_what_was_signed_is_sound(report: Path, keys: tuple[Path, Path]):
    """And the signature says what was signed, by which key."""
    made = sign_file(report, keys[0], no_password, COMMENT)
    key = read_public_key(keys[1])
    check = check_signature(report, key)

    assert made == report.with_name("report.pdf.minisig")
    assert check.sound
    assert check.text == f"signed by key {key.name}: {COMMENT}"
    assert read_public_key(keys[1].read_text().split("\n")[1]) == key


@needs_other_program
def test_the_other_program_accepts_our_signature(report: Path, keys: tuple[Path, Path]):
    """And shows the trusted comment."""
    sign_file(report, keys[0], no_password, COMMENT)
    ran = run_other("-Vm", str(report), "-p", str(keys[1]))

    assert ran.returncode == 0, ran.stderr
    assert f"Trusted comment: {COMMENT}" in ran.stdout


@needs_other_program
def test_the_other_program_refuses_a_changed_file(report: Path, keys: tuple[Path, Path]):
    """So that its yes above means something."""
    sign_file(report, keys[0], no_password, COMMENT)
    report.write_bytes(report.read_bytes() + b" ")

    assert run_other("-Vm", str(report), "-p", str(keys[1])).returncode != 0


@needs_other_program
@pytest.mark.parametrize("older", [True, False])
def test_we_accept_the_signature_of_the_other_program(tmp_path: Path, report: Path, older: bool):
    """With a key that it made, in both forms of the format."""
    secret, public = tmp_path / "other.key", tmp_path / "other.pub"
    made = run_other("-G", "-W", "-s", str(secret), "-p", str(public))
    form = ["-l"] if older else []
    signed = run_other("-S", *form, "-m", str(report), "-s", str(secret), "-t", COMMENT)
    check = check_signature(report, read_public_key(public))

    assert made.returncode == signed.returncode == 0, made.stderr + signed.stderr
    assert (check.sound, check.comment) == (True, COMMENT)


@needs_other_program
def test_we_sign_with_a_key_of_the_other_program(tmp_path: Path, report: Path):
    """And it accepts what we signed."""
    secret, public = tmp_path / "other.key", tmp_path / "other.pub"
    run_other("-G", "-W", "-s", str(secret), "-p", str(public))
    sign_file(report, secret, no_password, COMMENT)

    assert run_other("-Vm", str(report), "-p", str(public)).returncode == 0


@needs_other_program
def test_the_other_program_signs_with_our_key(report: Path, keys: tuple[Path, Path]):
    """One that is not encrypted."""
    ran = run_other("-S", "-m", str(report), "-s", str(keys[0]), "-t", COMMENT)

    assert ran.returncode == 0, ran.stderr
    assert check_signature(report, read_public_key(keys[1])).sound


@needs_other_program
def test_the_other_program_decrypts_our_key(tmp_path: Path, report: Path):
    """With the password, and not with another one."""
    secret, public = tmp_path / "our.key", tmp_path / "our.pub"
    make_keys(secret, public, "tide gauge")
    words = ("-S", "-m", str(report), "-s", str(secret), "-t", COMMENT)
    wrong, right = run_other(*words, typed="tide\n"), run_other(*words, typed="tide gauge\n")

    assert wrong.returncode != 0
    assert right.returncode == 0, right.stderr
    assert check_signature(report, read_public_key(public)).sound


def test_an_encrypted_key_asks_for_its_password(tmp_path: Path, report: Path):
    """A wrong one is said to be wrong; the file does not show the seed."""
    secret, public = tmp_path / "our.key", tmp_path / "our.pub"
    make_keys(secret, public, "tide gauge")
    with pytest.raises(UsageError, match=r"password of .*our.key is wrong"):
        sign_file(report, secret, lambda: "ebb", COMMENT)
    assert not signature_path(report).exists()
    sign_file(report, secret, lambda: "tide gauge", COMMENT)
    key = read_secret_key(secret, lambda: "tide gauge")

    assert check_signature(report, read_public_key(public)).sound
    assert key.seed not in base64.b64decode(secret.read_text().split("\n")[1])


@pytest.mark.skipif(os.name != "posix", reason="rights of files are those of POSIX")
def test_only_the_owner_reads_the_secret_key(keys: tuple[Path, Path]):
    """From the first moment on."""
    assert stat.S_IMODE(keys[0].stat().st_mode) == 0o600


def test_a_key_is_never_written_over(keys: tuple[Path, Path]):
    """Neither of the two; nothing is changed."""
    before = [path.read_bytes() for path in keys]
    with pytest.raises(FileError, match="never written over"):
        make_keys(keys[0].with_name("new.key"), keys[1], None)
    with pytest.raises(FileError, match="never written over"):
        make_keys(keys[0], keys[1].with_name("new.pub"), None)
    with pytest.raises(UsageError, match="two names"):
        make_keys(keys[0].with_name("one"), keys[0].with_name("one"), None)

    assert [path.read_bytes() for path in keys] == before
    assert not keys[0].with_name("new.key").exists()


@pytest.mark.parametrize(
    ("place", "said"),
    [
        (0, "no signature"),  # the form
        (5, "signed by key"),  # the id of the key
        (20, "the file is not the one that was signed"),
    ],
)
def test_a_changed_signature(report: Path, keys: tuple[Path, Path], place: int, said: str):
    """Each part of it counts."""
    made = sign_file(report, keys[0], no_password, COMMENT)
    change_line(made, 1, changed_byte(made.read_text().split("\n")[1], place))
    try:
        check = check_signature(report, read_public_key(keys[1]))
    except FileError as error:
        text, sound = str(error), False
    else:
        text, sound = check.text, check.sound

    assert said in text
    assert not sound


def test_a_changed_comment(report: Path, keys: tuple[Path, Path]):
    """It is signed too."""
    made = sign_file(report, keys[0], no_password, COMMENT)
    change_line(made, 2, "trusted comment: 0418 / visit 12 / issue 1")
    check = check_signature(report, read_public_key(keys[1]))

    assert not check.sound
    assert check.text == "the signature fits the file, but its comment was changed"
    assert check.comment == ""


def test_hostile_comments_are_cleaned(report: Path, keys: tuple[Path, Path]):
    """No line or escape gets into the file or onto the terminal; a lone surrogate neither."""
    sign_file(
        report, keys[0], no_password, "\x1b[31m0417\nuntrusted comment: \u2028 \udc80" + "x" * 3000
    )
    check = check_signature(report, read_public_key(keys[1]))

    assert check.sound
    assert check.comment.isprintable()
    assert len(signature_path(report).read_text().split("\n")) == 5


@pytest.mark.parametrize(
    "content",
    [b"", b"\n\n\n\n", b"\xff\xfe", b"x" * 5000, b"a\nb\nc\nd\n", b"a\n" + b"A" * 100 + b"\nb\nc\n",
     "untrusted comment: ☃\n☃☃☃☃\n".encode()],
)  # fmt: skip
def test_files_that_are_no_keys_and_no_signatures(
    tmp_path: Path, report: Path, keys: tuple[Path, Path], content: bytes
):
    """A sentence each, and no traceback."""
    bad = tmp_path / "bad"
    bad.write_bytes(content)
    for try_it in (
        lambda: read_public_key(bad),
        lambda: read_secret_key(bad, no_password),
        lambda: check_signature(report, read_public_key(keys[1]), bad),
    ):
        with pytest.raises(FileError) as caught:
            try_it()
        assert str(caught.value).endswith(".")


def test_the_wrong_one_of_two_keys_is_named(report: Path, keys: tuple[Path, Path]):
    """They are easily taken for each other."""
    with pytest.raises(FileError, match="is a secret key: give the file that was made as"):
        read_public_key(keys[0])
    with pytest.raises(FileError, match="is a public key: give the file that was made as"):
        sign_file(report, keys[1], no_password, COMMENT)


@pytest.mark.parametrize("place", [70, 100, 150])
def test_a_damaged_secret_key(report: Path, keys: tuple[Path, Path], place: int):
    """Its checksum shows it, before anything is signed."""
    change_line(keys[0], 1, changed_byte(keys[0].read_text().split("\n")[1], place))
    with pytest.raises(FileError, match="damaged"):
        sign_file(report, keys[0], no_password, COMMENT)

    assert not signature_path(report).exists()


def test_a_key_that_asks_for_very_much_memory(report: Path, keys: tuple[Path, Path]):
    """A file from elsewhere does not fill the memory."""
    data = bytearray(base64.b64decode(keys[0].read_text().split("\n")[1]))
    data[2:4] = b"Sc"
    data[38:54] = b"\xff" * 16
    change_line(keys[0], 1, base64.b64encode(bytes(data)).decode())
    with pytest.raises(FileError, match="GB to be decrypted"):
        sign_file(report, keys[0], no_password, COMMENT)


def missing(paths: Sequence[Path]) -> list[BenchwatchError]:
    """Return the errors of files that are not there."""
    nowhere, report, secret = paths
    found = []
    for try_it in (
        lambda: sign_file(nowhere, secret, no_password, COMMENT),
        lambda: sign_file(report, nowhere, no_password, COMMENT),
        lambda: check_signature(report, PublicKey(bytes(8), bytes(32))),
        lambda: read_public_key(nowhere),
        lambda: make_keys(secret / "under a file", nowhere, None),
    ):
        try:
            try_it()
        except BenchwatchError as error:
            found.append(error)
    return found


def test_files_that_are_not_there(tmp_path: Path, report: Path, keys: tuple[Path, Path]):
    """A sentence for each."""
    found = missing((tmp_path / "nowhere", report, keys[0]))

    assert len(found) == 5
    assert all("can't be" in str(error) for error in found)


def test_without_the_extra(report: Path, keys: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch):
    """The sentence says how to install it."""
    monkeypatch.setitem(sys.modules, "cryptography.hazmat.primitives.asymmetric", None)
    with pytest.raises(UsageError, match="signatures need a library that is not installed"):
        sign_file(report, keys[0], no_password, COMMENT)
