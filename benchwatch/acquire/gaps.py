"""What is missing between two readings, and why."""

from benchwatch.reading import Gap, Reading


class GapTracker:
    """Remembers the last good reading, and the first thing that went wrong after it."""

    def __init__(self) -> None:
        self._last: Reading | None = None
        self._reason: str | None = None

    @property
    def last(self) -> Reading | None:
        """The newest reading that was a new measurement."""
        return self._last

    def failed(self, error: Exception) -> None:
        """Something went wrong; the first reason is the one that is told."""
        if self._reason is None:
            self._reason = str(error).split(". ", 1)[0].rstrip(".")

    def close(self, reading: Reading) -> Gap | None:
        """Return the gap that `reading` ends, if there is one."""
        gap = self.until(reading.elapsed_s)
        self._last, self._reason = reading, None
        return gap

    def until(self, elapsed_s: float) -> Gap | None:
        """Return the gap that is open at `elapsed_s`; before the first reading there is none."""
        last = self._last
        if last is None or self._reason is None:
            return None
        lasted_s = max(elapsed_s - last.elapsed_s, 0.0)
        return Gap(
            counter=last.counter,
            utc_s=last.utc_s,
            elapsed_s=last.elapsed_s,
            lasted_s=lasted_s,
            reason=self._reason,
        )
