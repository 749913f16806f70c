"""As found: the last quiet stretch before the trimmer was first turned.

As found can't be measured again once the trimmer has moved, so it is recorded from the first
reading on, without a command, and the first turn freezes it. An oven that warms up shows steps
without a turn, and its offset is not the one at which it will rest. So a step of a warming oven
counts as a turn only where the tool is on, and a step before any settle verdict only where it is
larger than the oscillator's own motion. The record then states that the oven had not settled. A
step that was not counted as a turn is stored with as found, as it may have been a turn.
"""

import math
from collections import deque
from typing import Final, NamedTuple

from benchwatch.estimate.results import Drift, Estimate, Nudge, Numbers, SettleLimit, SettleState

FEWEST_READINGS: Final = 3
STRETCHES_KEPT: Final = 512
"""Quiet stretches kept, one a reading: a small nudge or a series is confirmed late."""
AGREES_U: Final = 2.0
"""After a touch, an offset within so many u of the one before it counts as unchanged."""
OWN_MOTION_RATIO: Final = 3.0
"""A step of an oscillator that still moves is a turn when it is so many times as large as the
oscillator's own motion over the horizon (by trial: steps in warm-ups are as large as that)."""
FAR_LIMITS: Final = 100.0
"""Motion over the horizon, in limits, from which no step freezes as found, tool on or not."""
RECENT_HORIZONS, RECENT_SPANS = 0.1, 3.0
"""Before a verdict a quiet stretch is recent for this share of the horizon, or for so many times
its own span."""
_VERDICTS_AT_REST: Final = frozenset({"settled", None})
USUAL_HORIZON_S: Final = 600.0
"""Horizon where no settle limit was asked for."""


class QuietStretch(NamedTuple):
    """The numbers at the end of a quiet stretch.

    A tuple, because a new one is built with nearly each reading.
    """

    elapsed_s: float
    estimate: Estimate
    drift: Drift | None
    noise: float | None
    settle: SettleState | None
    """The verdict at that time; None when none was asked for."""
    frozen: bool = False
    """Whether a turn has ended the stretch."""
    passed_over: Nudge | None = None
    """The newest earlier step that was not counted as a turn."""


def least_motion(drift: Drift | None, horizon_s: float) -> float:
    """Return the least change (fractional, unsigned) over `horizon_s`: that of |drift| - 2u."""
    if drift is None or drift.u is None:
        return 0.0
    return max(0.0, abs(drift.per_s) - 2.0 * drift.u) * horizon_s


class AsFound:
    """Keeps the newest quiet stretch until the first turn.

    Args:
        settle: limit and horizon of settling; None when no limit was asked for.
    """

    def __init__(self, settle: SettleLimit | None = None) -> None:
        self._newest: deque[QuietStretch] = deque(maxlen=STRETCHES_KEPT)
        self._touched: QuietStretch | None = None
        """The stretch before the tool was put on, until the same offset is read without it."""
        self._passed_over: Nudge | None = None
        self._verdict: SettleState | None = None
        self._drift: Drift | None = None
        self.missed = False
        """The trimmer was turned before any quiet stretch: nothing later is as found."""
        self.set_limits(settle)

    def set_limits(self, settle: SettleLimit | None) -> None:
        """Replace the settle limit; None when none is asked for."""
        self._settle = settle

    def resume(self) -> None:
        """Note that the trimmer was turned in an earlier run: no later offset is as found."""
        self.missed = True

    @property
    def quiet(self) -> QuietStretch | None:
        """The newest quiet stretch; None while there was none."""
        return self._newest[-1] if self._newest else None

    @property
    def ended(self) -> bool:
        """Whether a turn has ended the quiet stretch."""
        return self.missed or bool(self._newest and self._newest[-1].frozen)

    def add(self, elapsed_s: float, numbers: Numbers) -> None:
        """Take the `numbers` after the reading at `elapsed_s`.

        A suspect reading adds no stretch: it may be the first one after a turn.
        """
        if self.ended:
            return
        estimate = numbers.estimate
        settle = None if numbers.settle is None else numbers.settle.state
        self._verdict, self._drift = settle, numbers.drift
        if numbers.suspect or estimate is None or estimate.u is None:
            return
        if estimate.readings < FEWEST_READINGS:
            return
        if self._touched is not None:
            was = self._touched.estimate
            u = math.hypot(estimate.u, was.u or 0.0)
            if abs(estimate.offset - was.offset) > AGREES_U * u:
                return
            self._touched = None
        self._newest.append(
            QuietStretch(
                elapsed_s=elapsed_s,
                estimate=estimate,
                drift=numbers.drift,
                noise=numbers.noise,
                settle=settle,
                passed_over=self._passed_over,
            )
        )

    def touch(self) -> None:
        """Note that the tool is put on: offsets count again only once they equal the one before.

        The offset of a warming oven never returns; there only a turn ends the stretch.
        """
        quiet = self.quiet
        if self._touched is None and quiet is not None and quiet.settle in _VERDICTS_AT_REST:
            self._touched = quiet

    def turn(self, nudge: Nudge, *, tool_on: bool) -> None:
        """Take a step that is not the tool's pull: as found is the quiet stretch before it.

        Args:
            nudge: the step.
            tool_on: whether the operator reported the tool on the trimmer.
        """
        if self.ended:
            return
        before = next((one for one in reversed(self._newest) if one.elapsed_s < nudge.at_s), None)
        if before is not None and self._is_turn(nudge, before, tool_on=tool_on):
            self._newest.clear()
            self._newest.append(before._replace(frozen=True))
            return
        if before is None and self._verdict in _VERDICTS_AT_REST:
            self._newest.clear()
            self.missed = True
        self._passed_over = nudge

    def _is_turn(self, nudge: Nudge, before: QuietStretch, *, tool_on: bool) -> bool:
        """Return whether a step is a turn, and not one of an oscillator that warms up."""
        limit, warming = self._settle, self._verdict == "warming"
        horizon_s = USUAL_HORIZON_S if limit is None else limit.horizon_s
        motion = least_motion(self._drift, horizon_s)
        if before.drift is not None:
            # Of few readings, the drift after the step holds part of the step.
            motion = min(motion, least_motion(before.drift, horizon_s))
        recent_s = max(RECENT_HORIZONS * horizon_s, RECENT_SPANS * before.estimate.span_s)
        recent = nudge.at_s - before.elapsed_s <= recent_s
        large = recent and abs(nudge.size) > OWN_MOTION_RATIO * motion
        # Small turns look like a drift until they are confirmed: the verdict now may be of them.
        if before.settle == "settled" and (large or not warming):
            return True
        if tool_on:
            return limit is None or motion < FAR_LIMITS * limit.limit
        return large and not warming
