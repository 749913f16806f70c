"""The state of the trim after each reading: judgement, hint, tool, landing, as found.

It is combined from the estimators in `benchwatch.estimate.trim`.
"""

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from benchwatch.estimate.results import Nudge, Numbers, SettleLimit
from benchwatch.estimate.trim.as_found import AsFound, QuietStretch
from benchwatch.estimate.trim.landing import DEFAULT_HOLD_S, Landing, LandingNow
from benchwatch.estimate.trim.learned_turns import LearnedTurns
from benchwatch.estimate.trim.tool_pull import ToolPull, ToolState
from benchwatch.estimate.trim.trim_hint import (
    Hint,
    direction,
    estimate_at_rest,
    hint,
    judge,
    restarted,
    should_lift,
)
from benchwatch.snapshot import TrimNow

PUT_ON: Final = "the tool is on the trimmer"
LIFTED: Final = "the tool has just been lifted"


class TrimTracker:
    """Tracks the trim of one counter.

    Args:
        tolerance: limit of the offset (fractional); None without one.
        settle: settle limit; a landing extrapolates the drift over its horizon.
    """

    def __init__(self, tolerance: float | None, settle: SettleLimit | None) -> None:
        self._tool = ToolPull()
        self._as_found = AsFound(settle)
        self._newest_turn = _NewestTurn()
        self._turns = LearnedTurns()
        self._newest_offset = math.nan
        self._newest_difference = math.inf
        """Difference of the newest two offsets, fractional."""
        self.by_tool = False
        """Whether the newest nudge was the tool's pull."""
        self._newest = TrimNow()
        self.set_limits(tolerance, settle)

    def set_limits(self, tolerance: float | None, settle: SettleLimit | None) -> None:
        """Set new limits; a landing restarts."""
        self._tolerance = tolerance
        self._as_found.set_limits(settle)
        self._landing: Landing | None = None
        if tolerance is not None:
            outlook = {} if settle is None else {"outlook_s": settle.horizon_s}
            self._landing = Landing(tolerance, **outlook)

    @property
    def tool(self) -> ToolState:
        """Whether the tool is on the trimmer, and its pull."""
        return self._tool.state

    @property
    def found(self) -> QuietStretch | None:
        """The last quiet stretch before the first nudge."""
        return self._as_found.quiet

    @property
    def samples(self) -> tuple[tuple[float, float | None], ...]:
        """Measured pulls of single touches of the tool, fractional (`ToolPull.samples`)."""
        return self._tool.samples

    def resume(
        self,
        samples: Iterable[tuple[float, float | None]],
        turn: Nudge | None,
        *,
        known: bool,
        tool_on: bool = False,
        first_touch: tuple[float, float | None] | None = None,
        sizes: Iterable[float] = (),
    ) -> None:
        """Continue the trim of earlier runs.

        Args:
            samples: its measured pulls of the tool, fractional.
            turn: its newest turn of the trimmer; None when there was none.
            known: whether as found is on record.
            tool_on: whether the tool was on the trimmer.
            first_touch: what it moved by when it went on, where no lift has confirmed a pull.
            sizes: sizes of its turns, fractional and signed, oldest first.
        """
        self._turns.resume(sizes)
        self._tool.resume(samples, on=tool_on, first=first_touch)
        self._newest_turn.turn = turn
        if known or turn is not None:
            self._as_found.resume()

    def add(self, elapsed_s: float, offset: float, numbers: Numbers) -> TrimNow:
        """Add the reading at `elapsed_s` (fractional `offset`); `numbers` are those after it."""
        nudge = numbers.confirmed_nudge
        refined = numbers.last_nudge if nudge is None else numbers.revised_nudge
        turn = None if refined is None else self._newest_turn.refine(refined)
        if turn is not None:
            self._turns.refine(turn)
        if nudge is not None:
            self._take_nudge(nudge)
        difference = abs(offset - self._newest_offset)
        self._newest_offset, self._newest_difference = (
            offset,
            math.inf if math.isnan(difference) else difference,
        )
        if math.isfinite(offset) and not numbers.suspect:
            self._tool.add(elapsed_s, offset, numbers.noise)
        tool_on = self._tool.state.on
        if not tool_on:
            self._as_found.add(elapsed_s, numbers)
        landing, touched = None, self._tool.unsettled(elapsed_s)
        if self._landing is not None:
            landing = self._landing.add(
                elapsed_s,
                numbers,
                tool_on=tool_on,
                offset=math.nan if touched else offset,
            )
        self._newest = now = self._now(numbers, landing, touched=touched)
        if now.left is not None and now.judgement is not None and now.judgement.ready:
            self._turns.advise(elapsed_s, now.left, now.left_u or 0.0)
        return now

    def _take_nudge(self, nudge: Nudge) -> None:
        """Classify a nudge as a turn or as the tool's pull."""
        turn = self._tool.step(nudge)
        if self._tool.reassigned:
            self._newest_turn.restore()
            self._turns.restore()
        self.by_tool = turn is None
        self._newest_turn.take(turn, nudge)
        if turn is not None:
            self._turns.add(turn)
            self._as_found.turn(turn, tool_on=self._tool.state.on)

    def touch(self, at_s: float, numbers: Numbers, *, on: bool) -> TrimNow:
        """Note that the tool was put on the trimmer at `at_s` (seconds of the run), or lifted.

        The `numbers` are from before the touch, so the wait for good enough ones restarts.
        """
        if self._tool.touch(at_s, on=on):
            self._newest_turn.withdraw()
            self._turns.withdraw()
        self._turns.touch()
        if on:
            self._as_found.touch()
        landing = None
        if self._landing is not None:
            self._landing.restart()
            landing = LandingNow(
                state="outside",
                held_s=0.0,
                hold_s=DEFAULT_HOLD_S,
                reason=PUT_ON if on else LIFTED,
            )
        self._newest = self._now(numbers, landing, touched=True)
        return self._newest

    def _now(self, numbers: Numbers, landing: LandingNow | None, *, touched: bool) -> TrimNow:
        tool, estimate = self._tool.state, estimate_at_rest(numbers)
        if estimate is None:
            return TrimNow(
                tool=tool,
                landing=landing,
                turn=self._newest_turn.turn,
                touched=touched,
                turns=self._turns.now,
            )
        pull = tool.aim_pull
        aim, aim_u = (0.0, 0.0) if pull is None else (pull.size, pull.u or 0.0)
        judgement = judge(estimate, self._tolerance, aim, aim_u, self._newest_difference)
        aimed = (pull is not None or not tool.on) and not touched
        return TrimNow(
            direction=direction(estimate, self._tolerance, aim),
            judgement=restarted(judgement) if touched else judgement,
            hint=None
            if touched
            else self._compared_with_usual(hint(estimate, self._newest_turn.turn, aim, aim_u)),
            tool=tool,
            landing=landing,
            turn=self._newest_turn.turn,
            touched=touched,
            turns=self._turns.now,
            left=aim - estimate.offset if aimed else None,
            left_u=math.hypot(estimate.u or 0.0, aim_u) if aimed else None,
            lift=should_lift(estimate, self._tolerance, aim)
            if aimed and tool.on and judgement.ready
            else None,
        )

    def _compared_with_usual(self, given: Hint | None) -> Hint | None:
        """Compare a hint with the usual turn of this run."""
        known = self._turns.now
        if given is None or known is None:
            return given
        of_usual = None if known.usual is None else abs(given.left) / known.usual
        return replace(given, of_usual=of_usual, lost=self._turns.lost(given.left))

    def gap(self, *, level_continues: bool = False) -> TrimNow:
        """Add a gap: a landing restarts after it; what was learned of tool and turns stays.

        Args:
            level_continues: over the gap (`LiveEstimate.gap`); then so does the trim.
        """
        if level_continues:
            return self._newest
        if self._landing is not None:
            self._landing.restart()
        self._tool.gap()
        self._newest_offset, self._newest_difference = math.nan, math.inf
        self._turns.gap()
        self._newest = TrimNow(
            tool=self._tool.state, turn=self._newest_turn.turn, turns=self._turns.now
        )
        return self._newest


class _NewestTurn:
    """The newest nudge that was a turn of the trimmer, and not the tool's pull."""

    def __init__(self) -> None:
        self.turn: Nudge | None = None
        self._withdrawn: Nudge | None = None
        """The turn that was reclassified as the newest touch of the tool."""
        self._refined_from: Nudge | None = None
        """The nudge from which the turn was computed last."""
        self._turn_minus_nudge: float | None = None
        """Size of the turn minus that of its nudge; None: the newest nudge was not a turn."""

    def take(self, turn: Nudge | None, nudge: Nudge) -> None:
        """Store the `turn` that was measured as `nudge`; None: that was the tool's pull."""
        self._turn_minus_nudge = self._refined_from = None
        if turn is not None:
            self.turn, self._turn_minus_nudge = turn, turn.size - nudge.size

    def refine(self, nudge: Nudge) -> Nudge | None:
        """Update the turn from the refined newest nudge: creep after a turn is part of it.

        Returns:
            The turn if it has changed, else None.
        """
        if self.turn is None or self._turn_minus_nudge is None or nudge is self._refined_from:
            return None
        self._refined_from = nudge
        was, self.turn = self.turn, replace(nudge, size=nudge.size + self._turn_minus_nudge)
        return self.turn if self.turn != was else None

    def withdraw(self) -> None:
        """Reclassify the turn as the touch that was just reported."""
        self._withdrawn, self.turn, self._turn_minus_nudge = self.turn, None, None

    def restore(self) -> None:
        """Reclassify the withdrawn step as a turn: the touch has shown a step of its own."""
        self.turn = self._withdrawn
