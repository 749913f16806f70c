"""Landed: inside the tolerance, hands off, for long enough, and likely to stay.

The 2u interval of the offset must lie inside the tolerance for the whole hold time, with the tool
off and no nudge. So must the 2u interval of the level at which a creep will come to rest; and the
drift, where known, must not carry the offset out again within the outlook.

The hold is shorter where the readings show that the offset can't leave by itself. A trimmer creeps
exponentially after a turn, so its remaining motion is its present slope times its time constant;
computed from the slope with its 2u and the longest time constant allowed for.
"""

import math
from dataclasses import dataclass
from typing import Final, Literal

from benchwatch.estimate.regression import CentredSums
from benchwatch.estimate.results import Estimate, Numbers
from benchwatch.estimate.trim.trim_hint import COVERAGE_K

LandingState = Literal["outside", "holding", "landed"]

DEFAULT_HOLD_S: Final = 30.0
DEFAULT_OUTLOOK_S: Final = 600.0
SHORTEST_HOLD_S: Final = 10.0
"""A hold is not shorter than this, so that the hand's pull and warmth are gone (common practice, no
source) ..."""
FEWEST_READINGS: Final = 10
"""... nor shorter than so many readings at rest."""
LANDED: Final = "inside and staying there, hands off"
LINE_EVERY_S, MOST_LINES = 5.0, 5
"""A line begins every `LINE_EVERY_S`: the newer ones show sooner that a creep has died away."""
LONGEST_CREEP_S: Final = 60.0
"""Time constant of the slowest creep that a short hold allows for (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class LandingNow:
    """Progress of the landing."""

    state: LandingState
    held_s: float
    hold_s: float
    reason: str
    """One line for people: the missing condition, or why the offset counts as landed."""


class Landing:
    """Decides after each reading whether the offset has landed.

    Args:
        tolerance: limit of the offset (fractional).
        hold_s: how long the offset must stay inside, seconds.
        outlook_s: time over which the drift is extrapolated, seconds.
    """

    def __init__(
        self,
        tolerance: float,
        *,
        hold_s: float = DEFAULT_HOLD_S,
        outlook_s: float = DEFAULT_OUTLOOK_S,
    ) -> None:
        self._tolerance = tolerance
        self._hold_s = hold_s
        self._outlook_s = outlook_s
        self._since_s: float | None = None
        self._landed = False
        self._lines: list[_Line] = []
        """Lines through the readings since the offset is inside and at rest."""

    def restart(self) -> None:
        """Restart the hold, after a gap or a change of settings."""
        self._since_s = None
        self._landed = False
        self._lines = []

    def add(
        self,
        elapsed_s: float,
        numbers: Numbers,
        *,
        tool_on: bool = False,
        offset: float = math.nan,
    ) -> LandingNow:
        """Take the `numbers` after the reading at `elapsed_s`; return the progress of the landing.

        Args:
            elapsed_s: middle of the gate, seconds.
            numbers: after the reading.
            tool_on: the tool is on the trimmer.
            offset: the reading itself, fractional; nan while hand and trimmer still come to rest,
                and where there is no usable reading.
        """
        missing = self._missing(numbers, tool_on=tool_on)
        if missing:
            self.restart()
            return LandingNow(state="outside", held_s=0.0, hold_s=self._hold_s, reason=missing)
        if self._since_s is None or numbers.confirmed_nudge is not None:
            self.restart()
            self._since_s = elapsed_s
        held_s = elapsed_s - self._since_s
        if math.isfinite(offset) and not numbers.suspect:
            self._follow(elapsed_s, offset)
        state: LandingState = "holding"
        if self._landed:
            state, reason = "landed", LANDED
        elif held_s < self._hold_s and not self._stays(elapsed_s, numbers):
            reason = "inside; keep your hands off"
        elif self._drifts_out(numbers):
            reason = "inside, but its drift takes it out"
        elif self._creeps_out(elapsed_s, numbers):
            reason = "inside, but it creeps out"
        else:
            self._landed = True
            state, reason = "landed", LANDED
        return LandingNow(state=state, held_s=held_s, hold_s=self._hold_s, reason=reason)

    def _missing(self, numbers: Numbers, *, tool_on: bool) -> str:
        """Return the reason why no hold can begin; empty when there is none."""
        estimate = numbers.estimate
        if estimate is None or estimate.u is None:
            return "not yet known well enough"
        if tool_on:
            return "the tool is on the trimmer"
        if abs(estimate.offset) > self._tolerance:
            return "outside the tolerance"
        if abs(estimate.offset) + COVERAGE_K * estimate.u > self._tolerance:
            return "inside, but its uncertainty reaches outside"
        rest = numbers.rest
        if rest is not None and abs(rest.offset) + COVERAGE_K * rest.u > self._tolerance:
            return "inside, but it creeps and may rest outside"
        return ""

    def _follow(self, elapsed_s: float, offset: float) -> None:
        """Add a reading to the lines, and begin a new line when one is due."""
        newest = self._lines[-1].from_s if self._lines else -math.inf
        if elapsed_s - newest >= LINE_EVERY_S and len(self._lines) < MOST_LINES:
            self._lines.append(_Line(elapsed_s))
        for line in self._lines:
            line.sums.add(elapsed_s, offset)

    def _stays(self, elapsed_s: float, numbers: Numbers) -> bool:
        """Return whether a short hold is enough: no creep can carry the offset out."""
        estimate = numbers.estimate
        if estimate is None or numbers.noise is None or numbers.rest is not None:
            return False
        reaches = (
            _creeps_to(estimate, *line.slope(numbers.noise)) for line in self._old_enough(elapsed_s)
        )
        return any(reach <= self._tolerance for reach in reaches)

    def _creeps_out(self, elapsed_s: float, numbers: Numbers) -> bool:
        """Return whether the newest readings surely creep, far enough to leave the tolerance."""
        estimate, lines = numbers.estimate, self._old_enough(elapsed_s)
        if estimate is None or numbers.noise is None or not lines:
            return False
        slope, u = lines[-1].slope(numbers.noise)
        moves = abs(slope) > COVERAGE_K * u
        return moves and _creeps_to(estimate, slope, u) > self._tolerance

    def _old_enough(self, elapsed_s: float) -> "list[_Line]":
        """Return the lines long enough for a short hold, oldest first."""
        least_s = min(SHORTEST_HOLD_S, self._hold_s)
        return [
            line
            for line in self._lines
            if elapsed_s - line.from_s >= least_s and line.sums.points >= FEWEST_READINGS
        ]

    def _drifts_out(self, numbers: Numbers) -> bool:
        """Return whether a significant drift carries the offset out within the outlook."""
        estimate, drift = numbers.estimate, numbers.drift
        if drift is None or drift.u is None or estimate is None:
            return False
        if abs(drift.per_s) <= COVERAGE_K * drift.u:
            return False
        return abs(estimate.offset + drift.per_s * self._outlook_s) > self._tolerance


def _creeps_to(estimate: Estimate, slope: float, u: float) -> float:
    """Return how large the offset (fractional, unsigned) may be, now or once a creep is over.

    Args:
        estimate: the present offset.
        slope: of the readings, per second; the creep is no faster now.
        u: standard uncertainty of `slope`.
    """
    rests = abs(estimate.offset + LONGEST_CREEP_S * slope) + COVERAGE_K * LONGEST_CREEP_S * u
    return max(abs(estimate.offset), rests) + COVERAGE_K * (estimate.u or 0.0)


class _Line:
    """A straight line through the readings since `from_s`."""

    def __init__(self, from_s: float) -> None:
        self.from_s = from_s
        self.sums = CentredSums()

    def slope(self, noise: float) -> tuple[float, float]:
        """Return the slope per second and its standard uncertainty, from three readings or more.

        Args:
            noise: sd of single readings; the sd of the residuals is used where it is larger.
        """
        sums = self.sums
        left_over = sums.residual_sum / (sums.points - 2)
        return sums.slope, math.sqrt(max(noise * noise, left_over) / sums.tt)
