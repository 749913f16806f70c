"""Splits the bytes that an instrument receives into lines."""

from collections.abc import Iterator

from benchwatch_simulators.counters.instrument import CommandExecutor

LONGEST_LINE_BYTES = 4096


def split_message(message: bytes) -> list[str]:
    """Split a whole message into its lines, without the empty ones."""
    return [line.strip() for line in message.decode("latin-1").split("\n") if line.strip()]


class LineSplitter:
    """Splits chunks of bytes into lines; drops a line longer than `LONGEST_LINE_BYTES`.

    Args:
        instrument: is notified of each dropped line.
    """

    def __init__(self, instrument: CommandExecutor) -> None:
        self._instrument = instrument
        self._pending = b""
        self._dropping = False

    def split(self, chunk: bytes) -> Iterator[str]:
        """Yield the lines that `chunk` completes."""
        *lines, self._pending = (self._pending + chunk).split(b"\n")
        for line in lines:
            if self._dropping:
                self._dropping = False
            elif len(line) > LONGEST_LINE_BYTES:
                self._instrument.overrun()
            else:
                yield line.decode("latin-1").strip()
        if len(self._pending) > LONGEST_LINE_BYTES:
            if not self._dropping:
                self._instrument.overrun()
            self._pending, self._dropping = b"", True
