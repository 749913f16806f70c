"""How large the turns of this run are, and what is lost in reversing, learned from turn to turn.

Backlash is the part of a turn that a screw loses between its flanks after the other way was turned.
Each reversal shows one sample of it: the way left that was said before the turn, less the way that
came. A hand turns by more or less than it means to, in proportion to what it means (common
practice, no source), so backlash is told only where the samples stand out from that spread.
"""

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, replace
from statistics import median
from typing import Final

from benchwatch.estimate.results import Nudge

KEPT, OF_LATE = 60, 12
"""Turns that are remembered, and those that a usual size is taken from."""
LEAST_TURNS: Final = 3
"""Turns that a usual size needs."""
HABIT: Final = 0.5
"""There is a usual size while the spread is at most this part of it (by choice)."""
MAD: Final = 1.4826
"""sd of normal noise over its median absolute deviation."""
LEAST_REVERSALS: Final = 2
STANDS_OUT: Final = 2.5
"""Backlash is told from so many of its standard uncertainties on."""
HAND, HAND_WEIGHT = 0.3, 2.0
"""sd of a turn over what was meant before any was seen, and how many turns that counts for (common
practice, no source)."""
_ADVICE = 80
"""Readings whose advice is remembered: more than turns in quick succession may take."""


@dataclass(frozen=True, slots=True)
class TurnSizes:
    """What the turns of the trimmer have in common; sizes are fractional, unsigned."""

    usual: float | None
    """Median size; None while the turns have none in common."""
    spread: float | None
    """sd of the sizes, from their median absolute deviation."""
    smallest: float
    backlash: float | None
    """What is lost in reversing; None while it does not stand out."""
    backlash_u: float | None
    """Standard uncertainty (k = 1)."""
    turns: int
    """How many that was learned from."""


@dataclass(frozen=True, slots=True)
class _Turn:
    came: float
    """Signed size, fractional."""
    u: float
    meant: float | None
    """Way that was left when it was decided on, signed; None when it is unknown, or the turn went
    the other way."""
    meant_u: float
    reversing: bool
    said: float | None
    """Backlash that was said with the advice; None when it was not known by then."""


class LearnedTurns:
    """Takes the way left after each reading and each confirmed turn; says what turns share."""

    def __init__(self) -> None:
        self._turns: deque[_Turn] = deque(maxlen=KEPT)
        self._advice: deque[tuple[float, float, float]] = deque(maxlen=_ADVICE)
        """Time, way left and its standard uncertainty, since the newest turn or touch."""
        self._way = 0.0
        """Sign of the newest turn; 0 when the trimmer may have been turned unseen since."""
        self._before = 0.0
        """The same before it."""
        self._withdrawn: _Turn | None = None
        """The newest turn, where it was taken for the tool's pull."""
        self.now: TurnSizes | None = None
        """What is known; None while nothing is."""

    def lost(self, left: float) -> float | None:
        """Return the backlash that a turn by `left` meets; None: none, or it is unknown."""
        if self.now is None or left * self._way >= 0.0:
            return None
        return self.now.backlash

    def advise(self, at_s: float, left: float, left_u: float) -> None:
        """Remember what the reading at `at_s` says is left of the way, fractional and signed."""
        self._advice.append((at_s, left, left_u))

    def touch(self) -> None:
        """The tool is put on or lifted: what was said before it no longer counts."""
        self._advice.clear()

    def add(self, turn: Nudge) -> None:
        """Take a confirmed turn."""
        said = next((one for one in reversed(self._advice) if one[0] < turn.at_s), None)
        left, left_u = (None, 0.0) if said is None or said[1] * turn.size <= 0.0 else said[1:]
        reversing = self._way * turn.size < 0.0
        lost = None if left is None else self.lost(left)
        self._turns.append(
            _Turn(turn.size, turn.u or 0.0, left, left_u, reversing=reversing, said=lost)
        )
        self._withdrawn = None
        self._before, self._way = self._way, math.copysign(1.0, turn.size)
        self._advice.clear()
        self._renew()

    def grow(self, turn: Nudge) -> None:
        """Take the newest turn again, as it is known now: what creeps is part of it."""
        if self._turns:
            self._turns[-1] = replace(self._turns[-1], came=turn.size, u=turn.u or 0.0)
            self._renew()

    def withdraw(self) -> None:
        """The newest turn was none."""
        if self._turns:
            self._withdrawn = self._turns.pop()
            self._way = self._before
            self._renew()

    def restore(self) -> None:
        """It was one: another step was the tool's."""
        if self._withdrawn is not None:
            self._turns.append(self._withdrawn)
            self._before, self._way = self._way, math.copysign(1.0, self._withdrawn.came)
            self._withdrawn = None
            self._renew()

    def resume(self, sizes: Iterable[float]) -> None:
        """Begin with the signed sizes of the turns of an interrupted run, oldest first."""
        for size in sizes:
            self._turns.append(_Turn(size, 0.0, None, 0.0, reversing=False, said=None))
        self._renew()

    def gap(self) -> None:
        """Readings were missed: the trimmer may have been turned meanwhile."""
        self._advice.clear()
        self._way = self._before = 0.0

    def _renew(self) -> None:
        usual, spread = self._usual()
        backlash, backlash_u = self._backlash()
        if usual is None and backlash is None:
            self.now = None
            return
        sizes = [abs(one.came) for one in self._turns][-OF_LATE:]
        self.now = TurnSizes(usual, spread, min(sizes), backlash, backlash_u, len(sizes))

    def _usual(self) -> tuple[float | None, float | None]:
        """Return the median size and its spread, None where turns have no size in common."""
        sizes = [abs(one.came) for one in self._turns][-OF_LATE:]
        if len(sizes) < LEAST_TURNS:
            return None, None
        usual = median(sizes)
        spread = MAD * median(abs(size - usual) for size in sizes)
        return (usual, spread) if spread <= HABIT * usual else (None, None)

    def _backlash(self) -> tuple[float | None, float | None]:
        """Return the weighted mean of what reversals lost and its u, None unless it stands out."""
        reversals = [one for one in self._turns if one.reversing and one.meant is not None]
        share = self._hand()
        lost = [_short_of(one, share, 0.0) for one in reversals if one.said is None]
        if len(lost) < LEAST_REVERSALS:
            return None, None
        mean, u = _mean(lost)
        if mean <= STANDS_OUT * u:
            return None, None
        after = [_short_of(one, share, one.said) for one in reversals if one.said is not None]
        if len(after) >= LEAST_REVERSALS:
            # Who adds what is not lost goes past the aim by it, again and again.
            short, short_u = _mean(after)
            if short + 2.0 * short_u < -mean / 2.0:
                return None, None
        return mean, u

    def _hand(self) -> float:
        """Return the sd of a turn over what was meant, from the turns that went on."""
        errors = [
            (one.came / one.meant - 1.0) ** 2
            for one in self._turns
            if one.meant is not None and not one.reversing
        ]
        total = HAND_WEIGHT * HAND**2 + math.fsum(errors)
        return math.sqrt(total / (HAND_WEIGHT + len(errors)))


def _short_of(one: _Turn, share: float, more: float) -> tuple[float, float]:
    """Return by how much a turn fell short of the way left, and the standard uncertainty.

    Args:
        one: the turn; it went the way that was meant.
        share: sd of what the hand turns over what it means.
        more: what it may have added for backlash.
    """
    meant = abs(one.meant or 0.0)
    return meant - abs(one.came), math.hypot(share * (meant + more), one.u, one.meant_u)


def _mean(samples: list[tuple[float, float]]) -> tuple[float, float]:
    """Return the weighted mean and its u, widened where samples scatter by more than their own."""
    total = math.fsum(u**-2 for _, u in samples)
    mean = math.fsum(value / u**2 for value, u in samples) / total
    chi2 = math.fsum(((value - mean) / u) ** 2 for value, u in samples)
    wider = math.sqrt(max(chi2 / max(len(samples) - 1, 1), 1.0))
    return mean, wider / math.sqrt(total)
