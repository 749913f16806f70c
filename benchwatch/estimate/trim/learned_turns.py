"""The usual size of the turns of this run, and the backlash, learned from turn to turn.

Backlash is the part of a turn that a screw loses between its flanks when its direction reverses.
Each reversal gives one sample of it: the way left that was shown before the turn, less the size of
the turn. An operator turns by more or less than intended, in proportion to the intended size
(common practice, no source), so backlash is shown only where the samples exceed that spread.
"""

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, replace
from statistics import median
from typing import Final

from benchwatch.estimate.results import Nudge
from benchwatch.estimate.trim.mean_pull import weighted_mean

TURNS_KEPT, USUAL_SIZE_TURNS = 60, 12
"""Number of newest turns kept, and of those that give the usual size."""
FEWEST_TURNS: Final = 3
"""Turns that a usual size needs."""
LARGEST_SPREAD_SHARE: Final = 0.5
"""There is a usual size while the spread is at most this part of it (chosen)."""
MAD_TO_SD: Final = 1.4826
"""sd of normal noise over its median absolute deviation."""
FEWEST_REVERSALS: Final = 2
BACKLASH_SHOWN_U: Final = 2.5
"""Backlash is shown from so many of its standard uncertainties on."""
PRIOR_TURN_ERROR, PRIOR_TURNS = 0.3, 2.0
"""Prior sd of a turn over the intended size, and the number of turns that the prior counts for
(common practice, no source)."""
_ADVICE_KEPT = 80
"""Readings whose advice is kept: more than a quick series of turns may take."""

_Advice = tuple[float, float, float]
"""Time of a reading, way left after it (fractional, signed), and the u of that way."""


@dataclass(frozen=True, slots=True)
class TurnSizes:
    """Usual size and backlash of the turns; sizes are fractional, unsigned."""

    usual: float | None
    """Median size; None while sizes differ too much."""
    spread: float | None
    """sd of the sizes, from their median absolute deviation."""
    smallest: float
    backlash: float | None
    """Way lost at a reversal; None while it does not stand out."""
    backlash_u: float | None
    """Standard uncertainty (k = 1)."""
    turns: int
    """Number of turns that the usual size is taken from."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Turn:
    """One turn of the trimmer."""

    size: float
    """Fractional, signed."""
    u: float = 0.0
    intended: float | None = None
    """Way left before the turn, signed; None where unknown or where the turn went the other way."""
    intended_u: float = 0.0
    reversing: bool = False
    backlash_shown: float | None = None
    """Backlash shown with the way left; None where none was known."""


class LearnedTurns:
    """Learns usual size and backlash from the confirmed turns and the way left before them."""

    def __init__(self) -> None:
        self._turns: deque[_Turn] = deque(maxlen=TURNS_KEPT)
        self._advice: deque[_Advice] = deque(maxlen=_ADVICE_KEPT)
        """Ways left since the newest turn or touch."""
        self._direction = 0.0
        """Sign of the newest turn; 0 where the trimmer may have been turned unseen since."""
        self._direction_before = 0.0
        """Sign of the turn before the newest; 0 as above."""
        self._withdrawn: _Turn | None = None
        """The turn withdrawn last, because it was taken for the tool's pull."""
        self.now: TurnSizes | None = None
        """The learned sizes; None while neither usual size nor backlash is known."""

    def lost(self, left: float) -> float | None:
        """Return the backlash that a turn by `left` loses; None where none, or unknown."""
        if self.now is None or left * self._direction >= 0.0:
            return None
        return self.now.backlash

    def advise(self, at_s: float, left: float, left_u: float) -> None:
        """Store the way left after the reading at `at_s`, fractional and signed, with its u."""
        self._advice.append((at_s, left, left_u))

    def touch(self) -> None:
        """Take a touch, the tool put on or lifted: earlier advice no longer counts."""
        self._advice.clear()

    def add(self, turn: Nudge) -> None:
        """Take a confirmed turn."""
        new = _Turn(size=turn.size, u=turn.u or 0.0, reversing=self._direction * turn.size < 0.0)
        advice = next((one for one in reversed(self._advice) if one[0] < turn.at_s), None)
        if advice is not None:
            _, left, left_u = advice
            if left * turn.size > 0.0:
                lost = self.lost(left)
                new = replace(new, intended=left, intended_u=left_u, backlash_shown=lost)
        self._turns.append(new)
        self._withdrawn = None
        self._direction_before, self._direction = self._direction, math.copysign(1.0, turn.size)
        self._advice.clear()
        self._renew()

    def refine(self, turn: Nudge) -> None:
        """Update the newest turn: the creep after it is part of its size."""
        if self._turns:
            self._turns[-1] = replace(self._turns[-1], size=turn.size, u=turn.u or 0.0)
            self._renew()

    def withdraw(self) -> None:
        """Remove the newest turn: it was the tool's pull."""
        if self._turns:
            self._withdrawn = self._turns.pop()
            self._direction = self._direction_before
            self._renew()

    def restore(self) -> None:
        """Restore the withdrawn turn: another step was the tool's pull."""
        if self._withdrawn is not None:
            self._turns.append(self._withdrawn)
            self._direction_before, self._direction = (
                self._direction,
                math.copysign(1.0, self._withdrawn.size),
            )
            self._withdrawn = None
            self._renew()

    def resume(self, sizes: Iterable[float]) -> None:
        """Begin with the signed sizes of the turns of earlier runs, oldest first."""
        for size in sizes:
            self._turns.append(_Turn(size=size))
        self._renew()

    def gap(self) -> None:
        """Take a gap in the readings: the trimmer may have been turned meanwhile."""
        self._advice.clear()
        self._direction = self._direction_before = 0.0

    def _renew(self) -> None:
        usual, spread = self._usual_size()
        backlash, backlash_u = self._backlash()
        if usual is None and backlash is None:
            self.now = None
            return
        sizes = [abs(one.size) for one in self._turns][-USUAL_SIZE_TURNS:]
        self.now = TurnSizes(
            usual=usual,
            spread=spread,
            smallest=min(sizes),
            backlash=backlash,
            backlash_u=backlash_u,
            turns=len(sizes),
        )

    def _usual_size(self) -> tuple[float | None, float | None]:
        """Return the median size and its spread, None where sizes differ too much or are 0."""
        sizes = [abs(one.size) for one in self._turns][-USUAL_SIZE_TURNS:]
        if len(sizes) < FEWEST_TURNS:
            return None, None
        usual = median(sizes)
        spread = MAD_TO_SD * median(abs(size - usual) for size in sizes)
        is_usual = usual > 0.0 and spread <= LARGEST_SPREAD_SHARE * usual
        return (usual, spread) if is_usual else (None, None)

    def _backlash(self) -> tuple[float | None, float | None]:
        """Return the weighted mean of the backlash samples and its u; None unless significant."""
        reversals = [one for one in self._turns if one.reversing and one.intended is not None]
        share = self._turn_error()
        lost = [_shortfall(one, share, 0.0) for one in reversals if one.backlash_shown is None]
        if len(lost) < FEWEST_REVERSALS:
            return None, None
        mean, u = weighted_mean(lost)
        if mean <= BACKLASH_SHOWN_U * u:
            return None, None
        after = [
            _shortfall(one, share, one.backlash_shown)
            for one in reversals
            if one.backlash_shown is not None
        ]
        if len(after) >= FEWEST_REVERSALS:
            # An operator who allows for backlash that is not there overshoots at every reversal.
            short, short_u = weighted_mean(after)
            if short + 2.0 * short_u < -mean / 2.0:
                return None, None
        return mean, u

    def _turn_error(self) -> float:
        """Return the sd of a turn over the intended size, from the turns that did not reverse."""
        errors = [
            (one.size / one.intended - 1.0) ** 2
            for one in self._turns
            if one.intended is not None and not one.reversing
        ]
        total = PRIOR_TURNS * PRIOR_TURN_ERROR**2 + math.fsum(errors)
        return math.sqrt(total / (PRIOR_TURNS + len(errors)))


def _shortfall(one: _Turn, share: float, more: float) -> tuple[float, float]:
    """Return by how much a turn fell short of the way left, and the standard uncertainty.

    Args:
        one: the turn, in the intended direction.
        share: sd of a turn over the intended size.
        more: the part that the operator may have added for backlash.
    """
    intended = abs(one.intended or 0.0)
    return intended - abs(one.size), math.hypot(share * (intended + more), one.u, one.intended_u)
