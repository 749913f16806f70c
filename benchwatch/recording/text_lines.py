"""Reads a file as numbered lines of UTF-8 text, in blocks; any other content is refused.

A file that was packed with gzip is unpacked while it is read.
"""

import io
import os
import stat
import sys
from collections.abc import Iterable, Iterator
from contextlib import AbstractContextManager, nullcontext, suppress
from dataclasses import dataclass
from io import BufferedReader
from itertools import chain
from pathlib import Path
from typing import Final, cast

from benchwatch.central_record.record_address import is_record_address, shown_record
from benchwatch.errors import FileError
from benchwatch.quantity import printable
from benchwatch.recording.gzip_bytes import GZIP_START, unpacked
from benchwatch.recording.read_position import ReadPosition

STANDARD_INPUT: Final = "-"
LONGEST_LINE_BYTES: Final = 10_000
"""The longest line that Benchwatch itself writes is far below 2000 bytes."""

FIRST_BLOCK_BYTES: Final = 1 << 16
BLOCK_BYTES: Final = 1 << 18
"""Size of a read: large enough to be quick, small enough for the processor's cache."""

_FOREIGN_STARTS: Final = {
    GZIP_START: "is packed twice; unpack it once",
    b"BZh": "is compressed by bzip2; unpack it, or pack it with gzip",
    b"\xfd7zXZ\0": "is compressed by xz; unpack it, or pack it with gzip",
    b"\x28\xb5\x2f\xfd": "is compressed by zstd; unpack it, or pack it with gzip",
    b"PAR1": "is Parquet; give it as a file of its own, neither packed nor by a pipe",
    b"PK\x03\x04": "is a zip archive or a spreadsheet; export it as CSV text",
    b"SQLite format 3": "is a database; give a journal as a file, or its readings as CSV text",
    b"\xff\xfe": "is UTF-16 text; save it as UTF-8",
    b"\xfe\xff": "is UTF-16 text; save it as UTF-8",
}
_BYTE_ORDER_MARK: Final = b"\xef\xbb\xbf"


@dataclass(frozen=True, slots=True)
class TextLine:
    """One line of a file."""

    number: int
    """Counted from 1, as editors count."""
    text: str
    """Without its line ending."""
    ended: bool
    """False for a last line that lacks its line ending: it may be half written."""


@dataclass(frozen=True, slots=True)
class TextBlock:
    """Consecutive lines of a file, as bytes."""

    number: int
    """Number of the first line, counted from 1."""
    data: bytes
    """Whole lines with their endings, or the last line without an ending."""
    ended: bool
    """False for a last line without an ending."""

    def lines(self, name: str) -> Iterator[TextLine]:
        """Decode the lines of the block; `name` is the file's name, for messages.

        Raises:
            FileError: a line is no text.
        """
        for number, raw in enumerate(io.BytesIO(self.data), start=self.number):
            yield decode(raw, number, name)


def shown_name(path: str) -> str:
    """Return the name of a file or a central record for messages, escaped and shortened.

    A password in the address of a record is left out.
    """
    if is_record_address(path):
        return shown_record(path)
    return "standard input" if path == STANDARD_INPUT else printable(path, 200)


def read_lines(path: str) -> Iterator[TextLine]:
    """Read the lines of the file at `path` (``-``: standard input).

    Raises:
        FileError: the file can't be read, or is not UTF-8 text in lines.
    """
    return decode_lines(read_blocks(path), shown_name(path))


def decode_lines(blocks: Iterable[TextBlock], name: str) -> Iterator[TextLine]:
    """Decode the lines of all `blocks` of the file `name`.

    Raises:
        FileError: a line is no text.
    """
    for block in blocks:
        yield from block.lines(name)


def read_blocks(path: str, position: ReadPosition | None = None) -> Iterator[TextBlock]:
    """Read the file at `path` in blocks of whole lines, each as soon as it is available.

    A file packed with gzip is unpacked. `position` is kept at the number of bytes that are read.

    Raises:
        FileError: the file can't be read, is no text, or has a line beyond `LONGEST_LINE_BYTES`.
    """
    name = shown_name(path)
    with _opened(path) as stream:
        position = position or ReadPosition()
        position.total = _size(stream)
        number, pending = 1, b""
        try:
            for read in _pieces(stream, position):
                pending += read
                if number == 1:
                    pending = _check_start(pending, name)
                cut = pending.rfind(b"\n") + 1
                if cut:
                    yield TextBlock(number, pending[:cut], ended=True)
                    number += pending.count(b"\n", 0, cut)
                    pending = pending[cut:]
                if len(pending) > LONGEST_LINE_BYTES:
                    decode(pending, number, name)  # raises: the line is too long
        except OSError as error:
            raise FileError(f"{name} broke off at line {number}: {_reason(error)}.") from error
        if pending:
            yield TextBlock(number, pending, ended=False)


def _pieces(stream: BufferedReader, position: ReadPosition) -> Iterator[bytes]:
    """Yield the bytes of a file, unpacked if it was packed with gzip.

    `position` counts the bytes as they are in the file.

    Raises:
        OSError: it can't be read to its end.
    """
    head = b""
    while GZIP_START.startswith(head) and len(head) < len(GZIP_START):
        more = stream.read1(FIRST_BLOCK_BYTES)
        if not more:
            break
        head += more
    rest = iter(lambda: stream.read1(BLOCK_BYTES), b"")
    packed = _counted(chain([head], rest), position)
    return unpacked(packed) if head.startswith(GZIP_START) else filter(None, packed)


def _counted(pieces: Iterable[bytes], position: ReadPosition) -> Iterator[bytes]:
    """Yield the pieces, and add their bytes to `position`."""
    for piece in pieces:
        position.done += len(piece)
        yield piece


def first_content(
    blocks: Iterator[TextBlock], name: str
) -> tuple[TextLine | None, Iterator[TextBlock]]:
    """Find the first line that is neither empty nor a comment; `name`: the file, for messages.

    Returns:
        The line (None: there is none), and the blocks after that line.

    Raises:
        FileError: a line is no text.
    """
    for block in blocks:
        at = 0
        for line in block.lines(name):
            at = block.data.find(b"\n", at) + 1
            if is_content(line):
                rest = block.data[at:] if at else b""
                left = [TextBlock(line.number + 1, rest, ended=True)] if rest else []
                return line, chain(left, blocks)
    return None, blocks


def is_content(line: TextLine) -> bool:
    """Return whether a line is neither empty nor a comment."""
    text = line.text.strip()
    return bool(text) and not text.startswith("#")


def _opened(path: str) -> AbstractContextManager[BufferedReader]:
    if path == STANDARD_INPUT:
        return nullcontext(cast("BufferedReader", sys.stdin.buffer))
    try:
        file = Path(path)
        mode = file.stat().st_mode
        if stat.S_ISBLK(mode) or (stat.S_ISCHR(mode) and not file.samefile(os.devnull)):
            raise FileError(
                f"{shown_name(path)} is a device and no file. Give a recorded file; a counter "
                "is read with watch."
            )
        if stat.S_ISDIR(mode):
            raise FileError(
                f"{shown_name(path)} can't be read: it is a folder, and has no file of an archive "
                "that keep --archive wrote. Give a recorded file."
            )
        return file.open("rb")
    except (OSError, ValueError) as error:
        reason = _reason(error) if isinstance(error, OSError) else "no such file name"
        raise FileError(
            f"{shown_name(path)} can't be read: {reason}. Check the path and its permissions."
        ) from error


def _size(stream: BufferedReader) -> int | None:
    """Return the bytes of a regular file; None for a pipe, which states none."""
    with suppress(OSError, ValueError):
        found = os.fstat(stream.fileno())
        return found.st_size if stat.S_ISREG(found.st_mode) else None
    return None


def _reason(error: OSError) -> str:
    return (error.strerror or type(error).__name__).lower()


def _check_start(data: bytes, name: str) -> bytes:
    """Return the first bytes of a file without a byte order mark.

    Raises:
        FileError: files of another kind start with these bytes.
    """
    for start, what in _FOREIGN_STARTS.items():
        if data.startswith(start):
            raise FileError(f"{name} {what}.")
    return data.removeprefix(_BYTE_ORDER_MARK)


def decode(raw: bytes, number: int, name: str) -> TextLine:
    """Decode one line; `raw` includes its line ending, `number` and `name` are for messages.

    Raises:
        FileError: the line is too long, or no UTF-8 text.
    """
    if len(raw) > LONGEST_LINE_BYTES:
        raise FileError(
            f"{name}, line {number}: longer than {LONGEST_LINE_BYTES} bytes, so it is no table of "
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
    return TextLine(number, text, ended=raw.endswith(b"\n"))
