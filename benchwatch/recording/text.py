"""A file as numbered lines of text; what is no such text is refused with a sentence."""

import sys
from collections.abc import Iterator
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

from benchwatch.errors import FileError
from benchwatch.quantity import printable

STANDARD_INPUT: Final = "-"
LONGEST_LINE: Final = 10_000
"""Bytes; the longest line that Benchwatch writes itself is far below 2000."""

_FOREIGN_STARTS: Final = {
    b"\x1f\x8b": "is compressed; unpack it first",
    b"PK\x03\x04": "is a zip archive or a spreadsheet; export it as CSV text",
    b"SQLite format 3": "is a database; give a journal as a file, or its readings as CSV text",
    b"\xff\xfe": "is UTF-16 text; save it as UTF-8",
    b"\xfe\xff": "is UTF-16 text; save it as UTF-8",
}
_BYTE_ORDER_MARK: Final = b"\xef\xbb\xbf"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a file."""

    number: int
    """Counted from 1, as editors count."""
    text: str
    """Without its line ending."""
    ended: bool
    """False for a last line that lacks its line ending: it may be half written."""


def shown_name(path: str) -> str:
    """Name a file in a message."""
    return "standard input" if path == STANDARD_INPUT else printable(path, 200)


def read_lines(path: str) -> Iterator[Line]:
    """Read the lines of the file at `path`, ``-`` being standard input.

    Raises:
        FileError: it can't be read, or is not UTF-8 text in lines.
    """
    name = shown_name(path)
    with _opened(path) as stream:
        number = 0
        try:
            while raw := stream.readline(LONGEST_LINE + 1):
                number += 1
                yield _decode(raw, number, name)
        except OSError as error:
            raise FileError(f"{name} broke off at line {number + 1}: {_reason(error)}.") from error


def _opened(path: str) -> AbstractContextManager[BinaryIO]:
    if path == STANDARD_INPUT:
        return nullcontext(sys.stdin.buffer)
    try:
        return Path(path).open("rb")
    except (OSError, ValueError) as error:
        reason = _reason(error) if isinstance(error, OSError) else "no such file name"
        raise FileError(
            f"{shown_name(path)} can't be read: {reason}. Check the path and its permissions."
        ) from error


def _reason(error: OSError) -> str:
    return (error.strerror or type(error).__name__).lower()


def _decode(raw: bytes, number: int, name: str) -> Line:
    if number == 1:
        for start, what in _FOREIGN_STARTS.items():
            if raw.startswith(start):
                raise FileError(f"{name} {what}.")
        raw = raw.removeprefix(_BYTE_ORDER_MARK)
    if len(raw) > LONGEST_LINE:
        raise FileError(
            f"{name}, line {number}: longer than {LONGEST_LINE} bytes, so it is no table of "
            "readings. Give a CSV file with one reading a line."
        )
    body = raw.removesuffix(b"\n").removesuffix(b"\r")
    if b"\0" in body:
        raise FileError(
            f"{name}, line {number}: holds binary bytes (NUL). If the power failed while it was "
            "written, cut the file before this line; otherwise give a CSV file."
        )
    if b"\r" in body:
        raise FileError(
            f"{name}, line {number}: ends its lines with bare carriage returns; save it with "
            "ordinary line endings."
        )
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError as error:
        raise FileError(
            f"{name}, line {number}: byte {error.start + 1} is not UTF-8 text. "
            "Save the file as UTF-8, or remove that line."
        ) from error
    return Line(number, text, ended=raw.endswith(b"\n"))
