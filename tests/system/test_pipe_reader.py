"""Pipes are read the same whether the system or a thread waits for their bytes."""

import contextlib
import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from load_kit import LONGEST_WAIT_S

from benchwatch.bus import file_wire
from benchwatch.bus.file_wire import open_file_wire
from benchwatch.errors import InputEnded
from benchwatch.system import pipe_reader as pipe_readers
from benchwatch.system.pipe_reader import (
    CHUNK_BYTES,
    MOST_HELD,
    PipeReader,
    ThreadedPipe,
    pipe_reader,
)


@pytest.fixture(params=["linux", "win32"])
def platform(request: pytest.FixtureRequest) -> Iterator[str]:
    """A system that can wait for pipes, and one that can't; no reader goes on afterwards."""
    yield request.param
    pipe_readers._threaded.clear()


@pytest.fixture
def ends() -> Iterator[tuple[int, int]]:
    """Return the descriptors of a pipe; the reader closes the first."""
    reading, writing = os.pipe()
    yield reading, writing
    os.close(writing)


def read_until(reader: PipeReader, size: int) -> bytes:
    """Read until `size` bytes have come."""
    data = b""
    while len(data) < size:
        assert reader.wait(LONGEST_WAIT_S)
        data += reader.read() or b""
    return data


def test_bytes_come_unchanged_and_the_wait_ends(platform: str, ends: tuple[int, int]) -> None:
    """Any bytes come as they were written; without bytes the wait ends in time."""
    content = bytes(range(256)) * 100
    reader = pipe_reader(ends[0], "pipe", platform)
    began_s = time.monotonic()

    silent = (reader.wait(0.0), reader.wait(0.05), reader.read() if platform == "win32" else None)
    os.write(ends[1], content)
    come = read_until(reader, len(content))
    reader.close()

    assert silent == (False, False, None)
    assert time.monotonic() - began_s >= 0.05
    assert come == content


def test_the_end_is_said_again_and_again(platform: str) -> None:
    """After the last bytes b'' comes, as often as it is asked for."""
    reading, writing = os.pipe()
    reader = pipe_reader(reading, "pipe", platform)
    os.write(writing, b"1.0\n")
    os.close(writing)

    come = [read_until(reader, 4)]
    for _ in range(3):
        assert reader.wait(LONGEST_WAIT_S)
        come.append(reader.read() or b"")
    reader.close()

    assert come == [b"1.0\n", b"", b"", b""]


def test_a_thread_that_goes_on_is_found_again(ends: tuple[int, int]) -> None:
    """What comes between two readers of standard input is not lost where a thread reads it."""
    first = pipe_reader(os.dup(ends[0]), 0, "win32")
    first.close()
    os.write(ends[1], b"10000000.1\n")

    second = pipe_reader(ends[0], 0, "win32")

    assert second is first
    assert read_until(second, 11) == b"10000000.1\n"
    pipe_readers._threaded.clear()


def test_a_new_reader_follows_an_end() -> None:
    """A named pipe has one writer after the other: after an end it is read anew."""
    readers = []
    for _ in range(2):
        reading, writing = os.pipe()
        os.close(writing)
        reader = pipe_reader(reading, "/tmp/pipe", "win32")
        assert reader.wait(LONGEST_WAIT_S)
        assert reader.read() == b""
        readers.append(reader)

    assert readers[0] is not readers[1]
    pipe_readers._threaded.clear()


def test_an_error_of_reading_is_raised_where_it_is_read() -> None:
    """The thread passes an error on, and it is raised each time."""
    folder = os.open("/", os.O_RDONLY)
    reader = ThreadedPipe(folder)

    for _ in range(2):
        assert reader.wait(LONGEST_WAIT_S)
        with pytest.raises(IsADirectoryError):
            reader.read()


def test_a_thread_holds_little() -> None:
    """A writer that is faster than the reader has to wait: only a few pieces are held."""
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    reader = ThreadedPipe(reading)
    written, until_s = 0, time.monotonic() + 0.5
    while time.monotonic() < until_s:
        with contextlib.suppress(BlockingIOError):
            written += os.write(writing, bytes(CHUNK_BYTES))
    os.close(writing)

    come = len(read_until(reader, written))

    assert come == written
    assert written <= (MOST_HELD + 3) * CHUNK_BYTES


def test_a_counter_on_standard_input_is_read_by_a_thread(
    monkeypatch: pytest.MonkeyPatch, ends: tuple[int, int], tmp_path: Path
) -> None:
    """The wire of standard input gives the same whole lines where a thread reads."""
    monkeypatch.setattr(
        file_wire, "pipe_reader", lambda fd, of: pipe_reader(fd, of, platform="win32")
    )
    reading, writing = os.pipe()
    wire = open_file_wire("-", "-", standard_input=reading, cut_pipes=set())
    os.write(writing, b"9999999.98\n99999")
    first = wire.receive(10.0)
    os.write(writing, b"99.99\n")
    second = wire.receive(10.0)
    os.close(writing)

    with pytest.raises(InputEnded):
        wire.receive(10.0)
    wire.close()
    os.close(reading)
    pipe_readers._threaded.clear()

    assert (first, second) == (b"9999999.98\n", b"9999999.99\n")
