"""Waiting on sockets, pipes and terminals, on each way that a system may have."""

import contextlib
import os
import resource
import select
import socket
import time

import pytest

from benchwatch.system import waiting
from benchwatch.system.waiting import uses_poll, wait_readable, wait_writable

pytestmark = pytest.mark.parametrize("has_poll", [True, False])


@pytest.fixture(autouse=True)
def chosen_way(has_poll: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without `poll`, as on Windows, `select` waits."""
    if not has_poll:
        monkeypatch.delattr(select, "poll")
    assert uses_poll(0) == has_poll


def test_bytes_and_the_end_are_waited_for() -> None:
    """A socket is readable once bytes or the end have come, and not before."""
    near, far = socket.socketpair()
    with near, far:
        before = wait_readable(near, 0.0)
        far.send(b"1")
        come = wait_readable(near, 1.0)
        near.recv(1)
        far.close()
        ended = wait_readable(near.fileno(), 1.0)

    assert (before, come, ended) == (False, True, True)


def test_the_wait_lasts_as_long_as_asked() -> None:
    """A wait without bytes is neither cut short nor rounded down to nothing."""
    reading, writing = os.pipe()
    began_s = time.monotonic()

    try:
        found = [wait_readable(reading, 0.0501), wait_readable(reading, -1.0)]
    finally:
        os.close(reading)
        os.close(writing)

    assert found == [False, False]
    assert time.monotonic() - began_s >= 0.05


def test_a_full_pipe_accepts_nothing() -> None:
    """A pipe can be written until it is full."""
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    empty = wait_writable(writing, 0.0)

    try:
        with contextlib.suppress(BlockingIOError):
            while True:
                os.write(writing, bytes(65_536))
        full = wait_writable(writing, 0.0)
    finally:
        os.close(reading)
        os.close(writing)

    assert (empty, full) == (True, False)


def test_what_is_closed_is_an_error() -> None:
    """A descriptor that is not open, and a closed socket, are errors and not silence."""
    reading, writing = os.pipe()
    os.close(writing)
    os.close(reading)
    near, far = socket.socketpair()
    near.close()
    far.close()

    with pytest.raises(OSError):
        wait_readable(reading, 0.0)
    with pytest.raises(ValueError):
        wait_readable(near, 0.0)


def test_a_high_descriptor_is_waited_for(has_poll: bool) -> None:
    """With hundreds of files open, a descriptor above the limit of `select` works with `poll`."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if not has_poll:
        pytest.skip("that is the limit of select")
    if soft < waiting.SELECT_LIMIT + 10:
        if hard < waiting.SELECT_LIMIT + 10:
            pytest.skip("no more files are allowed here")
        resource.setrlimit(resource.RLIMIT_NOFILE, (waiting.SELECT_LIMIT + 10, hard))
    reading, writing = os.pipe()
    high = waiting.SELECT_LIMIT + 5
    os.dup2(reading, high)

    try:
        os.write(writing, b"1")
        found = wait_readable(high, 1.0)
    finally:
        for descriptor in (reading, writing, high):
            os.close(descriptor)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))

    assert found


def test_terminals_of_macos_are_waited_for_by_select(has_poll: bool) -> None:
    """Its `poll` does not work on terminals and devices (manual page poll(2) of macOS, BUGS)."""
    high = waiting.SELECT_LIMIT

    assert uses_poll(0, "darwin") is False
    assert uses_poll(high, "darwin") is uses_poll(0, "linux") is has_poll
