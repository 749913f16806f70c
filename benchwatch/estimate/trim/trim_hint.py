"""The hint for the next nudge: whether the offset is known well enough, and how far to turn.

After a nudge the estimate restarts, and its uncertainty shrinks with each reading. It is good
enough once it is a fifth of the tolerance, or a tenth of the way left: waiting longer would
only cost time (common practice, no source).
"""

import math
from dataclasses import dataclass, replace
from typing import Final, Literal

from benchwatch.estimate.results import Estimate, Nudge, Numbers

SHARE_OF_TOLERANCE: Final = 0.2
SHARE_OF_OFFSET: Final = 0.1
FEWEST_READINGS: Final = 2
"""One reading alone may be a spike."""
FARTHEST_HINT: Final = 20.0
"""No hint is given for more than so many times the last nudge: it would only mean "further"."""


Course = Literal["on", "back", "too far", "wrong way"]
"""Result of the last nudge: short of the aim (``on``), past it (``too far``), or away from it
(``wrong way``); ``back``: one of the last two, undecided which."""

Direction = Literal["high", "low", "inside", "undecided"]
"""Side of the aim on which the offset lies; the aim is zero, or the tool's pull while it is on.
``undecided``: the u of the offset reaches to both sides."""
COVERAGE_K: Final = 2.0
FEWEST_STEADY_READINGS: Final = 6
"""Readings in which a creep after a large turn shows in u, before the tool is lifted ..."""
FEWEST_SLOW_READINGS, STEADY_S = 4, 3.0
"""... or so many, where they span so long."""
WELL_INSIDE_SHARE: Final = 0.6
"""Part of the tolerance to turn to with the tool on: the rest is for u, for creep still to come
and for a pull that varies (by trial on simulated operators)."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """Whether the present estimate is good enough to decide on the next nudge."""

    needed_u: float
    """Standard uncertainty (fractional) that is good enough."""
    progress: float
    """From 0 (hands off just now) to 1 (judge now); grows about evenly in time."""
    wait_s: float | None
    """Time still to wait at this rate of readings; 0 when ready, None when unknown."""

    @property
    def ready(self) -> bool:
        """Whether it is time to judge."""
        return self.progress >= 1.0


@dataclass(frozen=True, slots=True)
class Hint:
    """How far the next nudge should go, measured by the last one."""

    times: float
    """Next nudge / last nudge: 0.5 is half as far the same way, -0.2 a fifth of it back."""
    u: float
    """Standard uncertainty of `times`."""
    left: float
    """The next nudge itself (fractional), signed: what is left of the way to the aim."""
    left_u: float
    """Standard uncertainty of `left`."""
    of_usual: float | None = None
    """`left` over the usual size of a turn, unsigned; None while there is no usual size."""
    lost: float | None = None
    """Backlash (fractional, unsigned) that this reversal loses first; None: none is known."""

    @property
    def course(self) -> Course:
        """Result of the last nudge, seen from the aim.

        With L left and the last nudge S, it began at -(L + S) from the aim and ended at -L: on
        the same side and farther away where L / S is below -1.
        """
        if self.times >= 0.0:
            return "on"
        if abs(self.times + 1.0) <= COVERAGE_K * self.u:
            return "back"
        return "too far" if self.times > -1.0 else "wrong way"


def direction(estimate: Estimate, tolerance: float | None, aim: float = 0.0) -> Direction:
    """Return on which side of `aim` the offset lies, or that it is inside the tolerance."""
    away = estimate.offset - aim
    if tolerance is not None and abs(away) <= tolerance:
        return "inside"
    if abs(away) <= COVERAGE_K * (estimate.u or 0.0):
        return "undecided"
    return "high" if away > 0 else "low"


def should_lift(estimate: Estimate, tolerance: float | None, aim: float) -> bool | None:
    """Return whether to lift the tool.

    Args:
        estimate: the offset with the tool on, good enough to judge by.
        tolerance: limit of the offset (fractional), None when none was asked for.
        aim: the offset that becomes zero once the tool is lifted.

    Returns:
        True: the offset will be well inside the tolerance; False: at its edge; None: outside, or
        too few readings since the last turn to exclude a creep.
    """
    steady = estimate.readings >= FEWEST_STEADY_READINGS or (
        estimate.readings >= FEWEST_SLOW_READINGS and estimate.span_s >= STEADY_S
    )
    if tolerance is None or not steady:
        return None
    away = abs(estimate.offset - aim)
    return None if away > tolerance else away <= WELL_INSIDE_SHARE * tolerance


def judge(
    estimate: Estimate,
    tolerance: float | None = None,
    aim: float = 0.0,
    aim_u: float = 0.0,
    newest_difference: float = math.inf,
) -> Judgement:
    """Return whether `estimate` is good enough to choose the next nudge by.

    Args:
        estimate: the offset since the last nudge.
        tolerance: limit of the offset (fractional), None when none was asked for.
        aim: where the offset should come to lie, not 0 while a tool pulls.
        aim_u: standard uncertainty of `aim`; waiting does not make it smaller.
        newest_difference: of the newest two readings (fractional, unsigned). During the creep
            after a large turn no level lasts for two readings; where two still agree to
            `needed_u`, the newest is no spike.
    """
    left = abs(estimate.offset - aim)
    needed_u = max(SHARE_OF_OFFSET * left, SHARE_OF_TOLERANCE * (tolerance or 0.0), aim_u)
    u, readings = estimate.u, estimate.readings
    if u is None or needed_u == 0.0:
        return Judgement(needed_u, 0.0, None)
    if readings < FEWEST_READINGS and newest_difference > needed_u:
        return Judgement(needed_u, 0.0, None)
    progress = 1.0 if u <= needed_u else (needed_u / u) ** 2
    interval_s = estimate.span_s / readings
    wait_s = readings * (1.0 / progress - 1.0) * interval_s
    return Judgement(needed_u, progress, wait_s)


def estimate_at_rest(numbers: Numbers) -> Estimate | None:
    """Return the offset to judge by: the level at rest after a creep, else the present one."""
    rest = numbers.rest
    if rest is None or numbers.estimate is None:
        return numbers.estimate
    return Estimate(offset=rest.offset, u=rest.u, readings=rest.readings, span_s=rest.span_s)


def restarted(judgement: Judgement) -> Judgement:
    """Return `judgement` with its progress restarted, as before the first reading."""
    return replace(judgement, progress=0.0, wait_s=None)


def hint(
    estimate: Estimate, last: Nudge | None, aim: float = 0.0, aim_u: float = 0.0
) -> Hint | None:
    """Return the next nudge in units of the `last` one; None when unknown.

    The trimmer is taken as linear over so small a way: offset left / size of the last nudge, with
    the uncertainty of a quotient (JCGM 100:2008, 5.1.2).
    """
    if last is None or last.size == 0.0 or estimate.u is None or last.u is None:
        return None
    left = aim - estimate.offset
    times = left / last.size
    left_u = math.hypot(estimate.u, aim_u)
    u = math.hypot(left_u, times * last.u) / abs(last.size)
    # A hint the other way is given however far: it shows that the last nudge went wrong.
    too_far = times > FARTHEST_HINT
    no_size = abs(last.size) < 2.0 * last.u
    return None if too_far or no_size else Hint(times=times, u=u, left=left, left_u=left_u)
