"""As found: the last quiet stretch before the trimmer was first turned.

Nobody can go back to it once the trimmer has moved, so it is kept from the first reading
on, without being asked for, and frozen by the first nudge.
"""

import math
from collections import deque
from dataclasses import dataclass, replace
from typing import Final

from benchwatch.estimate.results import Drift, Estimate, Numbers

LEAST_READINGS: Final = 3
REMEMBERED: Final = 128
"""Readings looked back at, for a small nudge or a series of them is confirmed only later."""


AGREES_U: Final = 4.0
"""After a tool was on, an offset within so many u of the one before it is the same."""


@dataclass(frozen=True, slots=True)
class Quiet:
    """What the numbers were at the end of a quiet stretch."""

    elapsed_s: float
    estimate: Estimate
    drift: Drift | None
    noise: float | None
    settled: bool | None
    """Whether the oscillator had settled; None when that was not asked for."""
    frozen: bool = False
    """True once a nudge has ended the stretch."""


class AsFound:
    """Keeps the newest quiet stretch until `freeze`."""

    def __init__(self) -> None:
        self._newest: deque[Quiet] = deque(maxlen=REMEMBERED)
        self._touched: Quiet | None = None
        """What was quiet before a tool was put on, until the same is found again without it."""

    @property
    def quiet(self) -> Quiet | None:
        """The stretch, None while there was none."""
        return self._newest[-1] if self._newest else None

    def add(self, elapsed_s: float, numbers: Numbers) -> None:
        """Take the `numbers` after the reading at `elapsed_s`.

        A reading that stands far off may be the first after a turn: it waits for the next.
        """
        if self._newest and self._newest[-1].frozen:
            return
        estimate = numbers.estimate
        if numbers.suspect or estimate is None or estimate.u is None:
            return
        if estimate.readings < LEAST_READINGS:
            return
        if self._touched is not None:
            was = self._touched.estimate
            u = math.hypot(estimate.u, was.u or 0.0)
            if abs(estimate.offset - was.offset) > AGREES_U * u:
                return
            self._touched = None
        settled = None if numbers.settle is None else numbers.settle.state == "settled"
        self._newest.append(Quiet(elapsed_s, estimate, numbers.drift, numbers.noise, settled))

    def touch(self) -> None:
        """A tool is put on: what comes after it may be turned, unless it equals what was.

        An oven that still comes in equals nothing; then only a nudge ends the stretch.
        """
        quiet = self.quiet
        if self._touched is None and quiet is not None and quiet.settled is not False:
            self._touched = quiet

    def freeze(self, before_s: float = math.inf) -> None:
        """The trimmer was turned at `before_s`: what was quiet before then is as found."""
        if self._newest and self._newest[-1].frozen:
            return
        while self._newest and self._newest[-1].elapsed_s >= before_s:
            self._newest.pop()
        if self._newest:
            self._newest.append(replace(self._newest[-1], frozen=True))
