"""Which counters of a watch read, are not there yet or have ended, and what the watch ends with."""

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from benchwatch.errors import BenchwatchError, NoReadings
from benchwatch.run.told_of_many import Told, told_of_many


@dataclass(frozen=True, slots=True)
class RunLimits:
    """Limits at which a watch ends by itself; None and False: no limit."""

    count: int | None = None
    """Readings of each counter."""
    for_s: float | None = None
    until_settled: bool = False


@dataclass(frozen=True, slots=True)
class RunOutcome:
    """The reason why a watch ended, and its exit code."""

    reason: str
    """A few words for the last line."""
    exit_code: int = 0
    message: str = ""
    """A sentence for standard error; empty when the reason is enough."""


class CountersInRun:
    """Keeps the counters of a watch apart: those that hold it open, and those that don't.

    A counter holds the watch open from the start. It no longer does once it has all its readings,
    once an error ended it, and while it is not there yet: nothing could be read of it, and it is
    tried again. Any thread may call any method.

    Args:
        names: the counters.
        waits: whether the watch goes on while no counter is there, as an unattended one does.
    """

    def __init__(self, names: Sequence[str], *, waits: bool) -> None:
        self._lock = threading.Lock()
        self._names, self._waits = tuple(names), waits
        self._holding = dict.fromkeys(names)
        self._done: set[str] = set()
        self._absent: dict[str, BenchwatchError] = {}
        self._ended: dict[str, BenchwatchError] = {}

    def add(self, name: str) -> None:
        """Add a counter that came later."""
        with self._lock:
            self._names += (name,)
            self._holding[name] = None

    @property
    def holding(self) -> Sequence[str]:
        """Names of the counters that read, are being connected, or have lost their link."""
        with self._lock:
            return tuple(self._holding)

    @property
    def absent(self) -> dict[str, BenchwatchError]:
        """Counters that are not there yet, by name, each with the newest reason."""
        with self._lock:
            return dict(self._absent)

    @property
    def measuring(self) -> Sequence[str]:
        """Names of the counters whose readings decide whether all has settled."""
        with self._lock:
            return (*self._holding, *self._done)

    def takes_readings(self, name: str) -> bool:
        """Return whether readings of the counter count; one that was not there yet is now."""
        if name in self._holding:
            return True
        with self._lock:
            if self._absent.pop(name, None) is None:
                return False
            self._holding[name] = None
            return True

    def set_absent(self, name: str, error: BenchwatchError | None) -> None:
        """Note why the counter is not there yet; None: it answers."""
        with self._lock:
            if name in self._done or name in self._ended:
                return
            if error is None:
                self._absent.pop(name, None)
                self._holding[name] = None
            else:
                self._holding.pop(name, None)
                self._absent[name] = error

    def set_done(self, name: str) -> None:
        """Note that the counter has all its readings."""
        with self._lock:
            self._holding.pop(name, None)
            self._done.add(name)

    def set_ended(self, name: str, error: BenchwatchError) -> None:
        """Note the error that ended the counter; it is not tried again."""
        with self._lock:
            self._holding.pop(name, None)
            self._absent.pop(name, None)
            self._ended[name] = error

    def outcome(self, totals: Callable[[], tuple[int, int]]) -> RunOutcome | None:
        """Return what the watch ends with; None while a counter holds it open.

        Args:
            totals: returns the number of readings of all counters together, and that of gaps.
        """
        with self._lock:
            if self._holding:
                return None
            if self._done:
                return RunOutcome("count reached")
            if self._absent and self._waits:
                return None
            return self._failed(totals()[0])

    def outcome_in_time(self) -> RunOutcome | None:
        """Return what a watch ends with whose last counter has failed when the time is up."""
        with self._lock:
            return None if self._holding or self._done or not self._ended else self._failed(1)

    def missing(self) -> list[str]:
        """Return a sentence for each of several counters that failed or never came."""
        with self._lock:
            return told_of_many(
                [self._missing(name) for name in self._names if self._is_missing(name)]
            )

    def _is_missing(self, name: str) -> bool:
        ended = self._ended.get(name)
        failed = ended is not None and ended.exit_code != 0
        return len(self._names) > 1 and (failed or name in self._absent)

    def _missing(self, name: str) -> Told:
        if name in self._absent:
            return Told(name, f"{name} was never there: {self._absent[name]}", "never there.")
        why = self._ended[name]
        return Told(name, f"{name} ended: {why}", f"ended: {few_words(why)}.")

    def _failed(self, readings: int) -> RunOutcome:
        """Return the outcome of a watch in which no counter is left that reads."""
        in_order = [error for error in self._ended.values() if error.exit_code == 0]
        errors = in_order or [*self._absent.values(), *self._ended.values()]
        newest = errors[-1]
        code = newest.exit_code
        if not readings and any(error.exit_code == NoReadings.exit_code for error in errors):
            code = NoReadings.exit_code
        return RunOutcome(few_words(newest), code, str(newest) if len(self._names) == 1 else "")


def few_words(error: BenchwatchError) -> str:
    """Return the first sentence of `error`, for the last line."""
    return str(error).split(". ", 1)[0].rstrip(".")
