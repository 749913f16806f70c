"""The present level of a counter's readings while somebody turns the trimmer."""

import math
from dataclasses import dataclass

from benchwatch.estimate.results import Estimate, Nudge


@dataclass(frozen=True, slots=True)
class LevelNow:
    """What is known of the level after one reading."""

    estimate: Estimate
    noise: float | None
    confirmed_nudge: Nudge | None = None
    suspect: bool = False
    spike_at_s: float | None = None


class Level:
    """Mean of the readings since the last step, which is found from the readings alone."""

    def __init__(self) -> None:
        self._run: list[tuple[float, float]] = []
        self._before: list[tuple[float, float]] = []
        self._variance = 0.0
        self._differences = 0

    def gap(self) -> None:
        """Forget the level; the noise scale stays."""
        self._run = []
        self._before = []

    def add(
        self, elapsed_s: float, offset: float, *, gate_s: float | None, resolution: float
    ) -> LevelNow:
        """Take one finite reading (fractional offset) and say where the level is."""
        suspect = False
        spike_at_s = None
        nudge = None
        noise = max(math.sqrt(self._variance), resolution / math.sqrt(12.0))
        if self._before:
            old = sum(y for _, y in self._before) / len(self._before)
            at_s, wild = self._run[0]
            if abs(offset - old) < abs(offset - wild):
                self._run, spike_at_s = self._before, at_s
            else:
                nudge = Nudge(at_s, (wild + offset) / 2 - old, noise or None)
            self._before = []
        elif self._differences >= 3 and self._run:
            mean = sum(y for _, y in self._run) / len(self._run)
            suspect = abs(offset - mean) > 5.0 * noise > 0.0
        if suspect:
            self._before, self._run = self._run, []
        elif self._run and spike_at_s is None and nudge is None:
            self._differences += 1
            square = (offset - self._run[-1][1]) ** 2 / 2.0
            self._variance += (square - self._variance) / min(self._differences, 30)
        self._run.append((elapsed_s, offset))
        del self._run[:-64]
        n = len(self._run)
        estimate = Estimate(
            sum(y for _, y in self._run) / n,
            noise / math.sqrt(n) if noise > 0.0 and self._differences >= 3 else None,
            n,
            elapsed_s - self._run[0][0] + (gate_s or 0.0),
        )
        return LevelNow(estimate, noise or None, nudge, suspect, spike_at_s)
