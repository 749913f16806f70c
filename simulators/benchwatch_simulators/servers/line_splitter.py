"""Lines out of a stream of bytes that an instrument is sent."""

from collections.abc import Iterator

from benchwatch_simulators.counters.instrument import CommandExecutor

LONGEST_LINE = 4096


def lines_of(message: bytes) -> list[str]:
    """Split a whole message into its lines; those that are empty are left out."""
    return [line.strip() for line in message.decode("latin-1").split("\n") if line.strip()]


class LineSplitter:
    """Splits chunks into lines; a line longer than any input buffer is dropped."""

    def __init__(self, instrument: CommandExecutor) -> None:
        self._instrument = instrument
        self._pending = b""
        self._dropping = False

    def split(self, chunk: bytes) -> Iterator[str]:
        """Yield the lines that `chunk` completes; notify the instrument of each dropped one."""
        *lines, self._pending = (self._pending + chunk).split(b"\n")
        for line in lines:
            if self._dropping:
                self._dropping = False
            elif len(line) > LONGEST_LINE:
                self._instrument.overrun()
            else:
                yield line.decode("latin-1").strip()
        if len(self._pending) > LONGEST_LINE:
            if not self._dropping:
                self._instrument.overrun()
            self._pending, self._dropping = b"", True
