"""Reads a pipe or standard input without waiting longer than is asked.

Where the system can wait for a pipe, it is asked; elsewhere a thread reads, and its bytes are
waited for. The thread can't be ended while it waits for bytes, so there is one for a descriptor,
and what it reads while nobody asks is kept for whoever asks next.
"""

import os
import queue
import sys
import threading
from typing import Final, Protocol

from benchwatch.system.waiting import wait_readable

CHUNK_BYTES: Final = 65_536
MOST_HELD: Final = 16
"""Most pieces of `CHUNK_BYTES` that the thread reads ahead; then the writer has to wait."""


class PipeReader(Protocol):
    """A pipe that is read piece by piece."""

    def wait(self, timeout_s: float) -> bool:
        """Wait for bytes or the end of the stream; return whether there is one."""

    def read(self) -> bytes | None:
        """Return bytes; b'' at the end of the stream, None when nothing has come after all.

        Raises:
            OSError: the pipe can't be read.
        """

    def close(self) -> None:
        """Close the descriptor, or leave it to the thread that reads it."""


class WaitedPipe:
    """A pipe on a system that can wait for it.

    Args:
        descriptor: its file descriptor; closed by `close`.
    """

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor

    def wait(self, timeout_s: float) -> bool:
        """Wait for bytes or the end of the stream; return whether there is one."""
        return wait_readable(self._descriptor, timeout_s)

    def read(self) -> bytes | None:
        """Return bytes; b'' at the end of the stream, None when nothing has come after all."""
        try:
            return os.read(self._descriptor, CHUNK_BYTES)
        except BlockingIOError:
            return None

    def close(self) -> None:
        """Close the descriptor."""
        os.close(self._descriptor)


class ThreadedPipe:
    """A pipe that a daemon thread reads until its end.

    Args:
        descriptor: its file descriptor; closed by the thread at the end of the stream.
    """

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._pieces: queue.Queue[bytes | OSError] = queue.Queue(MOST_HELD)
        self._next: bytes | OSError | None = None
        """The piece that was waited for and is still to be returned."""
        self._end: bytes | OSError | None = None
        """How the stream ended: b'', or the error."""
        threading.Thread(target=self._run, name="reading pipe", daemon=True).start()

    @property
    def has_ended(self) -> bool:
        """Whether the end of the stream was returned."""
        return self._end is not None

    def wait(self, timeout_s: float) -> bool:
        """Wait for bytes or the end of the stream; return whether there is one."""
        if self._next is None and self._end is None:
            try:
                if timeout_s > 0.0:
                    self._next = self._pieces.get(timeout=min(timeout_s, threading.TIMEOUT_MAX))
                else:
                    self._next = self._pieces.get_nowait()
            except queue.Empty:
                return False
        return True

    def read(self) -> bytes | None:
        """Return bytes; b'' at the end of the stream, None when nothing has come yet."""
        if not self.wait(0.0):
            return None
        piece = self._end if self._next is None else self._next
        self._next = None
        if not isinstance(piece, bytes) or not piece:
            self._end = piece
        if isinstance(piece, OSError):
            raise piece
        return piece

    def close(self) -> None:
        """Leave the descriptor to the thread: closing it would not end a read of it."""

    def _run(self) -> None:
        piece: bytes | OSError = b"begin"
        while isinstance(piece, bytes) and piece:
            try:
                piece = os.read(self._descriptor, CHUNK_BYTES)
            except OSError as error:
                piece = error
            self._pieces.put(piece)
        os.close(self._descriptor)


_threaded: Final[dict[object, ThreadedPipe]] = {}
"""The readers that go on, by what they read."""


def pipe_reader(descriptor: int, of: object, platform: str = sys.platform) -> PipeReader:
    """Return a reader of a pipe; it takes charge of the descriptor.

    Args:
        descriptor: a file descriptor of the pipe.
        of: what the pipe is known by, such as the number of standard input: where a thread must
            read, an earlier reader of the same is returned, with what it holds.
        platform: as `sys.platform`.
    """
    if platform != "win32":
        return WaitedPipe(descriptor)
    reader = _threaded.get(of)
    if reader is None or reader.has_ended:
        reader = _threaded[of] = ThreadedPipe(descriptor)
    else:
        os.close(descriptor)
    return reader
