"""Landed: inside the tolerance, hands off, for long enough, and likely to stay.

The 2u interval of the offset must lie inside the tolerance without a break for the hold
time, with the tool off and no nudge in between, so must that of the level where a creep is going
to rest, and the drift, where it is known, must not
carry it out again within the outlook.
"""

from dataclasses import dataclass
from typing import Final, Literal

from benchwatch.estimate.results import Numbers

LandingState = Literal["outside", "holding", "landed"]

DEFAULT_HOLD_S: Final = 30.0
DEFAULT_OUTLOOK_S: Final = 600.0
COVERAGE_K: Final = 2.0


@dataclass(frozen=True, slots=True)
class LandingNow:
    """How far the landing has got."""

    state: LandingState
    held_s: float
    hold_s: float
    reason: str
    """One line for people: what is still missing, or why it counts as landed."""


class Landing:
    """Watches the numbers after each reading.

    Args:
        tolerance: limit of the offset (fractional).
        hold_s: how long it must stay inside.
        outlook_s: how far ahead the drift is looked at.
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

    def restart(self) -> None:
        """A gap or a change of settings: the hold begins anew."""
        self._since_s = None
        self._landed = False

    def add(self, elapsed_s: float, numbers: Numbers, *, tool_on: bool = False) -> LandingNow:
        """Take the `numbers` after the reading at `elapsed_s` and say how far it has got."""
        missing = self._missing(numbers, tool_on=tool_on)
        if missing:
            self.restart()
            return LandingNow("outside", 0.0, self._hold_s, missing)
        if self._since_s is None or numbers.confirmed_nudge is not None:
            self.restart()
            self._since_s = elapsed_s
        held_s = elapsed_s - self._since_s
        if held_s < self._hold_s:
            return LandingNow("holding", held_s, self._hold_s, "inside; keep your hands off")
        if not self._landed and self._drifts_out(numbers):
            return LandingNow("holding", held_s, self._hold_s, "inside, but its drift takes it out")
        self._landed = True
        return LandingNow("landed", held_s, self._hold_s, "inside and staying there, hands off")

    def _missing(self, numbers: Numbers, *, tool_on: bool) -> str:
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

    def _drifts_out(self, numbers: Numbers) -> bool:
        """The drift is significant and would carry the offset out within the outlook."""
        estimate, drift = numbers.estimate, numbers.drift
        if drift is None or drift.u is None or estimate is None:
            return False
        if abs(drift.per_s) <= COVERAGE_K * drift.u:
            return False
        return abs(estimate.offset + drift.per_s * self._outlook_s) > self._tolerance
