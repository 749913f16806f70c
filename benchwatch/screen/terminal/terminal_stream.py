"""An output stream to the terminal, which may vanish at any time."""

import contextlib
import os
from collections.abc import Callable

from benchwatch.system.waiting import LONGEST_WAIT_S, wait_writable


class TerminalStream:
    """The stream that the terminal library draws on; writing never fails.

    The library draws on a thread of its own. An error would end that thread, and the screen would
    wait for the thread for ever.

    Args:
        descriptor: file descriptor of the terminal; `close` closes it.
        on_lost: called once, on any thread, when the terminal is gone.
    """

    def __init__(self, descriptor: int, on_lost: Callable[[], None]) -> None:
        self._descriptor = descriptor
        self._on_lost = on_lost
        self.lost = False
        """Whether the terminal is gone; later output is dropped."""

    def write(self, text: str) -> int:
        """Write `text`; block while the terminal accepts nothing."""
        left = text.encode("utf-8", "replace")
        while left and not self.lost:
            try:
                left = left[os.write(self._descriptor, left) :]
            except BlockingIOError:  # another program has made writes non-blocking
                wait_writable(self._descriptor, LONGEST_WAIT_S)
            except OSError:
                self.mark_lost()
        return len(text)

    def flush(self) -> None:
        """Do nothing: `write` does not buffer."""

    def fileno(self) -> int:
        """Return the descriptor."""
        return self._descriptor

    def isatty(self) -> bool:
        """Return whether the descriptor is still a terminal."""
        return os.isatty(self._descriptor)

    def mark_lost(self) -> None:
        """Record that the terminal is gone."""
        if not self.lost:
            self.lost = True
            self._on_lost()

    def close(self) -> None:
        """Close the descriptor."""
        with contextlib.suppress(OSError):
            os.close(self._descriptor)
