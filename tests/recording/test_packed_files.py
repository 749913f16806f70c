"""Files packed with gzip: read like the files themselves, in bounded memory, and damage is told.

Outside: the packing is Python's own gzip and zlib (RFC 1951, RFC 1952).
"""

import gzip
import io
import subprocess
import sys
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.errors import FileError
from benchwatch.recording import read_recording
from benchwatch.recording.gzip_bytes import PIECE_BYTES, unpacked

TEN_MHZ = Decimal(10_000_000)
ROWS = 30_000
TABLE = "time_s,frequency_hz\n" + "".join(
    f"{i},{10_000_000 + i % 7}.02{i % 10}\n" for i in range(ROWS)
)
LINE = (
    '{"kind":"reading","counter":"main","time":null,"elapsed_s":%d,"gate_s":1.0,'
    '"frequency_hz":10000000.1,"offset_hz":0.1,"offset":1e-8,"flags":[]}\n'
)


@pytest.mark.parametrize("level", [0, 6])
def test_a_packed_table_is_read_as_the_table(tmp_path: Path, level: int) -> None:
    """All numbers are the same, whatever the file is called."""
    plain, packed = tmp_path / "run.csv", tmp_path / "run.dat"
    plain.write_text(TABLE)
    packed.write_bytes(gzip.compress(TABLE.encode(), level))

    first, second = (read_recording(str(path), nominal=TEN_MHZ) for path in (plain, packed))

    np.testing.assert_array_equal(first.time_s, second.time_s)
    np.testing.assert_array_equal(first.offset, second.offset)
    assert first.text == second.text


def test_packed_lines_of_a_watch_are_read(tmp_path: Path) -> None:
    """The JSON lines that ``watch --json`` writes, packed."""
    path = tmp_path / "run.jsonl.gz"
    path.write_bytes(gzip.compress("".join(LINE % i for i in range(5)).encode()))

    recording = read_recording(str(path))

    assert recording.time_s.tolist() == [0.0, 1.0, 2.0, 3.0, 4.0]


def test_packed_standard_input_is_unpacked(monkeypatch: pytest.MonkeyPatch) -> None:
    """With - as the file."""
    piped = io.TextIOWrapper(io.BytesIO(gzip.compress(b"time_s,offset\n0,1e-9\n1,2e-9\n")))
    monkeypatch.setattr(sys, "stdin", piped)

    assert read_recording("-").offset.tolist() == [1e-9, 2e-9]


def test_members_are_joined(tmp_path: Path) -> None:
    """RFC 1952, 2.2: a file is a series of members; so a log that was packed daily is one."""
    path = tmp_path / "run.csv.gz"
    half = TABLE.encode()
    path.write_bytes(gzip.compress(half[:5000]) + gzip.compress(half[5000:]) + b"\0" * 512)

    assert len(read_recording(str(path), nominal=TEN_MHZ)) == ROWS


@pytest.mark.parametrize(
    ("packed", "words"),
    [
        (gzip.compress(TABLE.encode())[:-20], r"broke off at line \d+: .* end too early"),
        (gzip.compress(TABLE.encode())[:-8] + b"\0" * 8, r"broke off at line \d+: .* damaged"),
        (gzip.compress(gzip.compress(TABLE.encode())), "is packed twice"),
        (gzip.compress(b"SQLite format 3\0"), "is a database"),
        (gzip.compress(b"PAR1"), "is Parquet"),
        (gzip.compress(b""), "is empty"),
        (gzip.compress(TABLE.encode()) + b"more", "damaged"),
    ],
    ids=["cut", "check sum", "twice", "database", "parquet", "empty", "more behind"],
)
def test_a_damaged_or_foreign_one_gets_a_sentence(
    tmp_path: Path, packed: bytes, words: str
) -> None:
    """With the line up to which it could be read."""
    path = tmp_path / "run.csv.gz"
    path.write_bytes(packed)

    with pytest.raises(FileError, match=words) as caught:
        read_recording(str(path), nominal=TEN_MHZ)

    assert str(caught.value).isprintable()


BOMB = """
import resource, sys
from benchwatch.errors import FileError
from benchwatch.recording import read_recording
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
try:
    read_recording(sys.argv[1])
except FileError as error:
    print(error)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""


@pytest.mark.parametrize("filler", [b"0", b"\0", b"#"])
def test_an_endless_line_takes_no_memory(tmp_path: Path, filler: bytes) -> None:
    """0.1 MB of gzip that unpack to one line of 128 MB are refused at once."""
    path = tmp_path / "bomb.gz"
    with gzip.open(path, "wb", compresslevel=1) as file:
        for _ in range(128):
            file.write(filler * (1 << 20))

    child = subprocess.run(
        [sys.executable, "-c", BOMB, str(path)], capture_output=True, text=True, timeout=60
    )

    sentence, grown_kb = child.stdout.splitlines()
    assert "line 1: longer than 10000 bytes" in sentence
    assert int(grown_kb) < 40_000


@given(st.binary(max_size=3000), st.integers(1, 700), st.integers(1, 4))
def test_pieces_of_any_size_unpack_to_the_same(data: bytes, size: int, members: int) -> None:
    """However the packed bytes are cut."""
    packed = gzip.compress(data) * members
    pieces = [packed[i : i + size] for i in range(0, len(packed), size)]

    found = list(unpacked(pieces))

    assert b"".join(found) == data * members
    assert all(len(piece) <= PIECE_BYTES for piece in found)
