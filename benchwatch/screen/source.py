"""What the screen needs from the rest of the house: a watch to look at, a trimmer to turn."""

from collections.abc import Sequence
from typing import Protocol

from benchwatch.snapshot import Snapshot, Trace


class Watch(Protocol):
    """A running watch. Every method returns at once and may be called ten times a second."""

    @property
    def names(self) -> Sequence[str]:
        """Names of the counters, at least one, in the order of the bench."""

    def snapshot(self, name: str) -> Snapshot:
        """Return the newest state of the counter `name`."""

    def trace(self, name: str, span_s: float, points: int) -> Trace:
        """Return the last `span_s` seconds of `name` in at most about `points` points."""

    def mark(self, text: str) -> None:
        """Put a note on the time line."""

    def elapsed_s(self) -> float:
        """Return the seconds since the run began, on the clock of the snapshots."""


class Trimmer(Protocol):
    """A trimmer the screen can turn, such as the simulated one."""

    def turn(self, amount: float) -> None:
        """Turn by `amount` turns; positive raises the frequency."""

    def rest_tool(self, on: bool) -> None:
        """Rest the tool on the trimmer, or lift it."""
