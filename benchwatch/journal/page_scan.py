"""Reads rows from the single pages of a damaged database, and of the log beside it.

Pages are read one by one, without following the links between them, in the format that SQLite
publishes (https://www.sqlite.org/fileformat2.html; its sections are named beside each step).
Only for a file that is set aside, or that SQLite does not accept as a database: see
`journal_file` for the reason.
"""

import struct
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

PAGE_BYTES: Final = 4096
"""Bytes of a page where the header states none: SQLite's default, which journals use."""
_INDEX_INNER, _INDEX_LEAF, _TABLE_LEAF = 2, 10, 13
_HEADER_BYTES: Final = {_INDEX_INNER: 12, _INDEX_LEAF: 8, _TABLE_LEAF: 8}
"""Bytes before the cell pointers, by the kind of page (section 1.6)."""
_INTEGER_BYTES: Final = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}
"""Bytes of an integer, by its serial type (section 2.1)."""
_LOG_HEADER_BYTES: Final = 32
_FRAME_HEADER_BYTES: Final = 24

Row = tuple[Any, ...]


def rows_left(path: Path, *, log: bool = True, integer_key: bool = True) -> Iterator[Row]:
    """Yield every row in any page of the file, and with `log` also of the log beside it.

    Rows of all tables are mixed, in no order, some repeated. Damaged cells are left out.

    Args:
        path: the file.
        log: whether to read the log too.
        integer_key: whether tables have their integer key as first column, which is not stored
            with the others.

    Raises:
        OSError: the file can't be read.
    """
    pages = _Pages(path)
    for page in pages.all(log=log):
        yield from _rows_of(page, pages, integer_key=integer_key)


class _Pages:
    """The pages of a database file, and the newer versions of pages in its log."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._log = path.with_name(path.name + "-wal")
        self.size = PAGE_BYTES
        with path.open("rb") as file:
            head = file.read(100)
        if head.startswith(b"SQLite format 3\0"):
            size = int.from_bytes(head[16:18])  # section 1.3.2
            size = 65536 if size == 1 else size
            if 512 <= size <= 65536 and size & (size - 1) == 0:
                self.size = size

    def all(self, *, log: bool) -> Iterator[bytes]:
        with self._path.open("rb") as file:
            first = True
            while page := file.read(self.size):
                yield page[100:].rjust(len(page), b"\0") if first else page
                first = False
        if not log:
            return
        with suppress(FileNotFoundError), self._log.open("rb") as frames:
            frames.seek(_LOG_HEADER_BYTES)  # section 4.1
            while len(frame := frames.read(_FRAME_HEADER_BYTES + self.size)) > _FRAME_HEADER_BYTES:
                yield frame[_FRAME_HEADER_BYTES:]

    def number(self, number: int) -> bytes:
        """Return the page with this number: its newest version in the log, else in the file."""
        with self._path.open("rb") as file:
            file.seek((number - 1) * self.size)
            page = file.read(self.size)
        newer = b""
        with suppress(FileNotFoundError), self._log.open("rb") as log:
            log.seek(_LOG_HEADER_BYTES)
            while (
                len(frame := log.read(_FRAME_HEADER_BYTES + self.size))
                == _FRAME_HEADER_BYTES + self.size
            ):
                if int.from_bytes(frame[:4]) == number:
                    newer = frame[_FRAME_HEADER_BYTES:]
        return newer or page


def _rows_of(page: bytes, pages: _Pages, *, integer_key: bool) -> Iterator[Row]:
    kind = page[0] if page else 0
    header = _HEADER_BYTES.get(kind)
    if header is None or len(page) < header:
        return
    count = int.from_bytes(page[3:5])
    for number in range(min(count, (len(page) - header) // 2)):
        at = header + 2 * number
        with suppress(ValueError, IndexError, struct.error, OverflowError):
            found = _cell(page, int.from_bytes(page[at : at + 2]), kind, pages)
            if found is not None:
                key, row = found
                yield (key, *row[1:]) if integer_key and key is not None else row


def _cell(page: bytes, at: int, kind: int, pages: _Pages) -> tuple[int | None, Row] | None:
    """Read the key, if it has one, and the row of one cell (section 1.6)."""
    if at < _HEADER_BYTES[kind]:
        return None
    if kind == _INDEX_INNER:
        at += 4  # skip the number of the child page
    size, at = _varint(page, at)
    key = None
    if kind == _TABLE_LEAF:
        key, at = _varint(page, at)
    usable = pages.size
    most = usable - 35 if kind == _TABLE_LEAF else (usable - 12) * 64 // 255 - 23
    local = size
    if size > most:
        least = (usable - 12) * 32 // 255 - 23
        local = least + (size - least) % (usable - 4)
        local = local if local <= most else least
    payload = page[at : at + local]
    if len(payload) < local or size > 10_000_000:
        return None
    if size > local:
        payload += _overflow(int.from_bytes(page[at + local : at + local + 4]), size - local, pages)
    return key, _record(payload)


def _overflow(number: int, size: int, pages: _Pages) -> bytes:
    """Read the overflow pages of a cell (section 1.6)."""
    found = b""
    while number and len(found) < size:
        page = pages.number(number)
        found += page[4:]
        if len(page) < 4:
            break
        number = int.from_bytes(page[:4])
    if len(found) < size:
        raise ValueError("a part is missing")
    return found[:size]


def _record(payload: bytes) -> Row:
    """Read one record (section 2.1)."""
    end, at = _varint(payload, 0)
    if end > len(payload):
        raise ValueError("the header is longer than the record")
    kinds = []
    while at < end:
        kind, at = _varint(payload, at)
        kinds.append(kind)
    values: list[Any] = []
    for kind in kinds:
        value, at = _value(payload, at, kind)
        values.append(value)
    if at != len(payload):
        raise ValueError("the record has another length")
    return tuple(values)


def _value(payload: bytes, at: int, kind: int) -> tuple[Any, int]:
    size = _INTEGER_BYTES.get(kind)
    if size is not None:
        end = at + size
        value: Any = int.from_bytes(payload[at:end], signed=True)
    elif kind == 7:
        end = at + 8
        (value,) = struct.unpack(">d", payload[at:end])
    elif kind in {8, 9}:
        end, value = at, kind - 8
    elif kind == 0:
        end, value = at, None
    elif kind >= 13 and kind % 2:
        end = at + (kind - 13) // 2
        value = payload[at:end].decode("utf-8")
    else:
        raise ValueError("no value that a journal has")
    if end > len(payload):
        raise ValueError("the record is cut")
    return value, end


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """Read an integer of one to nine bytes, big-endian (section 1.6)."""
    value = 0
    for number in range(9):
        byte = data[at + number]
        if number == 8:
            return value << 8 | byte, at + 9
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + number + 1
    raise ValueError("unreachable")
