"""The terminal as a stream to draw on; it may vanish at any time."""

import contextlib
import os
import select
from collections.abc import Callable


class TerminalStream:
    """What the terminal library draws on in the place of a stream; writing never fails.

    The library draws on a thread of its own. An error there would end that thread, and the
    screen would wait for it for ever.

    Args:
        descriptor: of the terminal; it is closed with the picture.
        on_lost: is called once, on any thread, when the terminal is gone.
    """

    def __init__(self, descriptor: int, on_lost: Callable[[], None]) -> None:
        self._descriptor = descriptor
        self._on_lost = on_lost
        self.lost = False
        """Whether the terminal is gone; what is drawn from then on goes nowhere."""

    def write(self, text: str) -> int:
        """Draw `text`, and wait for as long as the terminal takes nothing."""
        left = text.encode("utf-8", "replace")
        while left and not self.lost:
            try:
                left = left[os.write(self._descriptor, left) :]
            except BlockingIOError:  # another program has set the terminal so
                select.select([], [self._descriptor], [])
            except OSError:
                self.mark_lost()
        return len(text)

    def flush(self) -> None:
        """Do nothing: `write` keeps nothing back."""

    def fileno(self) -> int:
        """Return the descriptor."""
        return self._descriptor

    def isatty(self) -> bool:
        """Tell whether it is still a terminal."""
        return os.isatty(self._descriptor)

    def mark_lost(self) -> None:
        """Take note that the terminal is gone."""
        if not self.lost:
            self.lost = True
            self._on_lost()

    def close(self) -> None:
        """Close the descriptor."""
        with contextlib.suppress(OSError):
            os.close(self._descriptor)
