"""The usual size of the turns of this run, and the backlash, learned from turn to turn.

Backlash is the part of a turn that a screw loses between its flanks when its direction reverses.
Each reversal shows one sample of it: the way left that was shown before the turn, less the size of
the turn. A hand turns by more or less than it means to, in proportion to what it means (common
practice, no source), so backlash is shown only where the samples stand out from that spread.
"""

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, replace
from statistics import median
from typing import Final

from benchwatch.estimate.results import Nudge
from benchwatch.estimate.trim.mean_pull import weighted_mean

KEPT, OF_LATE = 60, 12
"""Newest turns that are kept, and those of them that the usual size is taken from."""
LEAST_TURNS: Final = 3
"""Turns that a usual size needs."""
HABIT: Final = 0.5
"""There is a usual size while the spread is at most this part of it (chosen)."""
MAD: Final = 1.4826
"""sd of normal noise over its median absolute deviation."""
LEAST_REVERSALS: Final = 2
STANDS_OUT: Final = 2.5
"""Backlash is shown from so many of its standard uncertainties on."""
HAND, HAND_WEIGHT = 0.3, 2.0
"""sd of a turn over the size meant, before any turn was seen, and how many turns that counts for
(common practice, no source)."""
_ADVICE = 80
"""Readings whose advice is kept: more than turns in quick succession may take."""

_Advice = tuple[float, float, float]
"""Time of a reading, and what it said is left of the way: fractional, signed, and its u."""


@dataclass(frozen=True, slots=True)
class TurnSizes:
    """What the turns of the trimmer have in common; sizes are fractional, unsigned."""

    usual: float | None
    """Median size; None while sizes differ too much."""
    spread: float | None
    """sd of the sizes, from their median absolute deviation."""
    smallest: float
    backlash: float | None
    """Lost in reversing; None while it does not stand out."""
    backlash_u: float | None
    """Standard uncertainty (k = 1)."""
    turns: int
    """How many turns that was learned from."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Turn:
    """One turn of the trimmer."""

    size: float
    """Fractional, signed."""
    u: float = 0.0
    meant: float | None = None
    """Way left when it was decided on, signed; None where that is unknown or the turn went the
    other way."""
    meant_u: float = 0.0
    reversing: bool = False
    backlash_shown: float | None = None
    """Backlash shown with the way left; None where it was unknown at that time."""


class LearnedTurns:
    """Takes the way left after each reading and each confirmed turn; learns what turns share."""

    def __init__(self) -> None:
        self._turns: deque[_Turn] = deque(maxlen=KEPT)
        self._advice: deque[_Advice] = deque(maxlen=_ADVICE)
        """Since the newest turn or touch."""
        self._way = 0.0
        """Sign of the newest turn; 0 where the trimmer may have been turned unseen since."""
        self._way_before = 0.0
        """The same before it."""
        self._withdrawn: _Turn | None = None
        """The newest turn, where it was taken for the tool's pull."""
        self.now: TurnSizes | None = None
        """What is known; None while nothing is."""

    def lost(self, left: float) -> float | None:
        """Return the backlash that a turn by `left` meets; None: none, or none known."""
        if self.now is None or left * self._way >= 0.0:
            return None
        return self.now.backlash

    def advise(self, at_s: float, left: float, left_u: float) -> None:
        """Keep what the reading at `at_s` says is left of the way, fractional and signed."""
        self._advice.append((at_s, left, left_u))

    def touch(self) -> None:
        """Take a touch, the tool put on or lifted: earlier advice no longer counts."""
        self._advice.clear()

    def add(self, turn: Nudge) -> None:
        """Take a confirmed turn."""
        new = _Turn(size=turn.size, u=turn.u or 0.0, reversing=self._way * turn.size < 0.0)
        advice = next((one for one in reversed(self._advice) if one[0] < turn.at_s), None)
        if advice is not None:
            _, left, left_u = advice
            if left * turn.size > 0.0:
                lost = self.lost(left)
                new = replace(new, meant=left, meant_u=left_u, backlash_shown=lost)
        self._turns.append(new)
        self._withdrawn = None
        self._way_before, self._way = self._way, math.copysign(1.0, turn.size)
        self._advice.clear()
        self._renew()

    def grow(self, turn: Nudge) -> None:
        """Take the newest turn again as it is known now: what creeps after it is part of it."""
        if self._turns:
            self._turns[-1] = replace(self._turns[-1], size=turn.size, u=turn.u or 0.0)
            self._renew()

    def withdraw(self) -> None:
        """Take back the newest turn: it was the tool's pull."""
        if self._turns:
            self._withdrawn = self._turns.pop()
            self._way = self._way_before
            self._renew()

    def restore(self) -> None:
        """Take the withdrawn turn again: another step was the tool's."""
        if self._withdrawn is not None:
            self._turns.append(self._withdrawn)
            self._way_before, self._way = self._way, math.copysign(1.0, self._withdrawn.size)
            self._withdrawn = None
            self._renew()

    def resume(self, sizes: Iterable[float]) -> None:
        """Begin with the signed sizes of the turns of an interrupted run, oldest first."""
        for size in sizes:
            self._turns.append(_Turn(size=size))
        self._renew()

    def gap(self) -> None:
        """Take a gap in the readings: the trimmer may have been turned meanwhile."""
        self._advice.clear()
        self._way = self._way_before = 0.0

    def _renew(self) -> None:
        usual, spread = self._usual()
        backlash, backlash_u = self._backlash()
        if usual is None and backlash is None:
            self.now = None
            return
        sizes = [abs(one.size) for one in self._turns][-OF_LATE:]
        self.now = TurnSizes(
            usual=usual,
            spread=spread,
            smallest=min(sizes),
            backlash=backlash,
            backlash_u=backlash_u,
            turns=len(sizes),
        )

    def _usual(self) -> tuple[float | None, float | None]:
        """Return the median size and its spread, None where sizes differ too much."""
        sizes = [abs(one.size) for one in self._turns][-OF_LATE:]
        if len(sizes) < LEAST_TURNS:
            return None, None
        usual = median(sizes)
        spread = MAD * median(abs(size - usual) for size in sizes)
        return (usual, spread) if spread <= HABIT * usual else (None, None)

    def _backlash(self) -> tuple[float | None, float | None]:
        """Return the weighted mean of what reversals lost and its u, None unless it stands out."""
        reversals = [one for one in self._turns if one.reversing and one.meant is not None]
        share = self._hand()
        lost = [_short_of(one, share, 0.0) for one in reversals if one.backlash_shown is None]
        if len(lost) < LEAST_REVERSALS:
            return None, None
        mean, u = weighted_mean(lost)
        if mean <= STANDS_OUT * u:
            return None, None
        after = [
            _short_of(one, share, one.backlash_shown)
            for one in reversals
            if one.backlash_shown is not None
        ]
        if len(after) >= LEAST_REVERSALS:
            # A hand that adds backlash where there is none overshoots by it at every reversal.
            short, short_u = weighted_mean(after)
            if short + 2.0 * short_u < -mean / 2.0:
                return None, None
        return mean, u

    def _hand(self) -> float:
        """Return the sd of a turn over the size meant, from the turns that did not reverse."""
        errors = [
            (one.size / one.meant - 1.0) ** 2
            for one in self._turns
            if one.meant is not None and not one.reversing
        ]
        total = HAND_WEIGHT * HAND**2 + math.fsum(errors)
        return math.sqrt(total / (HAND_WEIGHT + len(errors)))


def _short_of(one: _Turn, share: float, more: float) -> tuple[float, float]:
    """Return by how much a turn fell short of the way left, and the standard uncertainty.

    Args:
        one: the turn, in the direction that was meant.
        share: sd of what the hand turns over what it means.
        more: what the hand may have added for backlash.
    """
    meant = abs(one.meant or 0.0)
    return meant - abs(one.size), math.hypot(share * (meant + more), one.u, one.meant_u)
