"""Counts the commits in a journal's write-ahead log that SQLite did not recover.

SQLite recovers the log of a killed program up to the first frame whose checksum is wrong; later
frames are lost without an error. SQLite locks the database file and the index (``-shm``), never
the log, so the log may be read while connections are open.
Format: https://www.sqlite.org/fileformat2.html, section 4.1.
"""

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

from benchwatch.journal.journal_file import log_path

_HEADER: Final = struct.Struct(">8I")
"""Magic, version, page size, sequence, two salts, two checksums."""
_FRAME: Final = struct.Struct(">6I")
"""Page, pages of the database after a commit or 0, two salts, two checksums."""
_MAGIC: Final = frozenset({0x377F0682, 0x377F0683})
_PAGE_BYTES: Final = 4096
"""SQLite's default size of a page."""

Salts = tuple[int, int]


@dataclass(frozen=True, slots=True)
class LogExtent:
    """Extent of a log, read from its frames without checking their checksums."""

    salts: Salts
    """Salts of the valid frames; frames with other salts are older and not yet overwritten."""
    frames: int
    """Number of frames up to the last commit."""


def log_extent(path: Path) -> LogExtent | None:
    """Return the extent of the log beside the journal at `path`; None without a readable log."""
    try:
        with log_path(path, "-wal").open("rb") as log:
            salts, page_bytes = _salts_and_page_bytes(log)
            if salts is None:
                return None
            step = _FRAME.size + page_bytes
            count = (log.seek(0, 2) - _HEADER.size) // step
            for number in range(count, 0, -1):
                if _ends_commit(log, number, step, salts):
                    return LogExtent(salts, number)
    except (OSError, struct.error):
        pass  # a log that can't be read has no extent
    return None


def commits_after(path: Path, stated: LogExtent, recovered: int) -> int:
    """Count the commits of a log after the first `recovered` frames.

    Args:
        path: the journal.
        stated: extent of the log before SQLite opened it.
        recovered: frames that SQLite recovered.

    Returns:
        0 if the log has changed since. Also 0 if SQLite counts no frames and the first commit is
        whole: then all frames are in the journal already.
    """
    try:
        with log_path(path, "-wal").open("rb") as log:
            salts, page_bytes = _salts_and_page_bytes(log)
            if salts != stated.salts or (recovered <= 0 and _first_commit_is_whole(log)):
                return 0
            step = _FRAME.size + page_bytes
            numbers = range(max(recovered, 0) + 1, stated.frames + 1)
            return sum(_held_commit(log, number, step, stated.salts) for number in numbers)
    except (OSError, struct.error):
        return 0


def _salts_and_page_bytes(log: BinaryIO) -> tuple[Salts | None, int]:
    """Read the salts and the page size; if the header is damaged, from two frames that agree."""
    header = _header(log)
    bytes_there = log.seek(0, 2)
    if header is not None:
        _, _, page_bytes, _, *salts, _, _ = header
        return (salts[0], salts[1]), page_bytes
    step, before = _FRAME.size + _PAGE_BYTES, None
    for at in range(_HEADER.size, bytes_there - step + 1, step):
        log.seek(at)
        found: Salts = _FRAME.unpack(log.read(_FRAME.size))[2:4]
        if found == before:
            return found, _PAGE_BYTES
        before = found
    return None, _PAGE_BYTES


def _header(log: BinaryIO) -> tuple[int, ...] | None:
    """Read the header; return None if it is damaged."""
    log.seek(0)
    data = log.read(_HEADER.size)
    if len(data) < _HEADER.size:
        return None
    header = _HEADER.unpack(data)
    is_whole = header[0] in _MAGIC and _checksum(data[:24], (0, 0), header[0]) == header[6:]
    return header if is_whole else None


def _first_commit_is_whole(log: BinaryIO) -> bool:
    """Return whether the header and all frames of the first commit have correct checksums."""
    header = _header(log)
    if header is None:
        return False
    magic, _, page_bytes, _, *_, first, second = header
    sums = first, second
    while True:
        frame, page = log.read(_FRAME.size), log.read(page_bytes)
        if len(page) < page_bytes:
            return False
        _, pages, _, _, *stated = _FRAME.unpack(frame)
        sums = _checksum(page, _checksum(frame[:8], sums, magic), magic)
        if sums != tuple(stated):
            return False
        if pages:
            return True


def _ends_commit(log: BinaryIO, number: int, step: int, salts: Salts) -> bool:
    """Return whether the frame with this number, from 1, has these salts and ends a commit."""
    log.seek(_HEADER.size + (number - 1) * step)
    _, pages, *rest = _FRAME.unpack(log.read(_FRAME.size))
    return pages != 0 and (rest[0], rest[1]) == salts


def _held_commit(log: BinaryIO, number: int, step: int, salts: Salts) -> bool:
    """Return whether the frame ends a commit, or its header is damaged so that it may.

    Before the last commit of a log every frame has the log's salts. Nearly every commit, one of a
    single reading, is one frame.
    """
    log.seek(_HEADER.size + (number - 1) * step)
    _, pages, *rest = _FRAME.unpack(log.read(_FRAME.size))
    return pages != 0 or (rest[0], rest[1]) != salts


def _checksum(data: bytes, sums: tuple[int, int], magic: int) -> tuple[int, int]:
    """Continue a checksum over `data`; the lowest bit of the magic number gives its byte order."""
    first, second = sums
    for one, two in struct.iter_unpack(">2I" if magic & 1 else "<2I", data):
        first = (first + one + second) & 0xFFFFFFFF
        second = (second + two + first) & 0xFFFFFFFF
    return first, second
