"""The state of the trim after each reading: judgement, hint, tool, landing, as found.

It is put together from the estimators in `benchwatch.estimate.trim`.
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
from benchwatch.estimate.trim.trim_hint import Hint, anew, at_rest, direction, hint, judge, lifts
from benchwatch.snapshot import TrimNow

PUT_ON: Final = "the tool is on the trimmer"
LIFTED: Final = "the tool has just been lifted"


class TrimTracker:
    """Follows one counter.

    Args:
        tolerance: limit of the offset (fractional), None when none was asked for.
        settle: its horizon is how far ahead a landing looks at the drift.
    """

    def __init__(self, tolerance: float | None, settle: SettleLimit | None) -> None:
        self._tool = ToolPull()
        self._found = AsFound(settle)
        self._newest_turn = _NewestTurn()
        self._turns = LearnedTurns()
        self._newest_offset = math.nan
        self._apart = math.inf
        """How far the newest two readings lie apart."""
        self.by_tool = False
        """Whether the newest nudge was the tool's pull."""
        self._newest = TrimNow()
        self.set_limits(tolerance, settle)

    def set_limits(self, tolerance: float | None, settle: SettleLimit | None) -> None:
        """Take new limits; a landing begins anew."""
        self._tolerance = tolerance
        self._found.set_limits(settle)
        self._landing: Landing | None = None
        if tolerance is not None:
            outlook = {} if settle is None else {"outlook_s": settle.horizon_s}
            self._landing = Landing(tolerance, **outlook)

    @property
    def tool(self) -> ToolState:
        """Where the tool is and what it does."""
        return self._tool.state

    @property
    def found(self) -> QuietStretch | None:
        """The last quiet stretch before the first nudge."""
        return self._found.quiet

    @property
    def samples(self) -> tuple[tuple[float, float | None], ...]:
        """What single touches of the tool showed, fractional."""
        return self._tool.samples

    def resume(
        self,
        samples: Iterable[tuple[float, float | None]],
        turn: Nudge | None,
        *,
        known: bool,
        tool_on: bool = False,
        sizes: Iterable[float] = (),
    ) -> None:
        """Go on where an interrupted run was.

        Args:
            samples: what single touches of the tool showed, fractional.
            turn: the newest turn of the trimmer; None when there was none.
            known: whether as found is on record.
            tool_on: whether the tool was on the trimmer.
            sizes: of its turns, fractional and signed, oldest first.
        """
        self._turns.resume(sizes)
        self._tool.resume(samples, on=tool_on)
        self._newest_turn.turn = turn
        if known or turn is not None:
            self._found.resume()

    def add(self, elapsed_s: float, offset: float, numbers: Numbers) -> TrimNow:
        """Take the reading at `elapsed_s`, its fractional `offset` and the numbers after it."""
        if numbers.confirmed_nudge is not None:
            self._take_nudge(numbers.confirmed_nudge)
        elif numbers.last_nudge is not None:
            turn = self._newest_turn.refine(numbers.last_nudge)
            if turn is not None:
                self._turns.grow(turn)
        apart = abs(offset - self._newest_offset)
        self._newest_offset, self._apart = offset, math.inf if math.isnan(apart) else apart
        if math.isfinite(offset) and not numbers.suspect:
            self._tool.add(elapsed_s, offset, numbers.noise)
        tool_on = self._tool.state.on
        if not tool_on:
            self._found.add(elapsed_s, numbers)
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
        """Take a nudge for a turn or for the tool's pull."""
        turn = self._tool.step(nudge)
        if self._tool.reassigned:
            self._newest_turn.restore()
            self._turns.restore()
        self.by_tool = turn is None
        self._newest_turn.take(turn, nudge)
        if turn is not None:
            self._turns.add(turn)
            self._found.turn(turn, tool_on=self._tool.state.on)

    def touch(self, at_s: float, numbers: Numbers, *, on: bool) -> TrimNow:
        """Take it that the tool was put on the trimmer at `at_s`, or lifted.

        The `numbers` are from before it: the wait until they are good enough begins anew.
        """
        if self._tool.touch(at_s, on=on):
            self._newest_turn.withdraw()
            self._turns.withdraw()
        self._turns.touch()
        if on:
            self._found.touch()
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
        tool, estimate = self._tool.state, at_rest(numbers)
        if estimate is None:
            return TrimNow(
                tool=tool,
                landing=landing,
                turn=self._newest_turn.turn,
                touched=touched,
                turns=self._turns.now,
            )
        aim, aim_u = tool.aim, tool.aim_u
        judgement = judge(estimate, self._tolerance, aim, aim_u, self._apart)
        aimed = (tool.aims_by is not None or not tool.on) and not touched
        return TrimNow(
            direction=direction(estimate, self._tolerance, aim),
            judgement=anew(judgement) if touched else judgement,
            hint=None
            if touched
            else self._by_turns(hint(estimate, self._newest_turn.turn, aim, aim_u)),
            tool=tool,
            landing=landing,
            turn=self._newest_turn.turn,
            touched=touched,
            turns=self._turns.now,
            left=aim - estimate.offset if aimed else None,
            left_u=math.hypot(estimate.u or 0.0, aim_u) if aimed else None,
            lift=lifts(estimate, self._tolerance, aim)
            if aimed and tool.on and judgement.ready
            else None,
        )

    def _by_turns(self, given: Hint | None) -> Hint | None:
        """Add to a hint what is known of the turns of this run."""
        known = self._turns.now
        if given is None or known is None:
            return given
        of_usual = None if known.usual is None else abs(given.left) / known.usual
        return replace(given, of_usual=of_usual, lost=self._turns.lost(given.left))

    def gap(self, *, goes_on: bool = False) -> TrimNow:
        """Take a gap: a landing begins anew after it; what was learned stays.

        Args:
            goes_on: the level goes on over the gap (`LiveEstimate.gap`), and so does the trim.
        """
        if goes_on:
            return self._newest
        if self._landing is not None:
            self._landing.restart()
        self._tool.gap()
        self._newest_offset, self._apart = math.nan, math.inf
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
        """The turn that was taken for the newest touch."""
        self._refined_from: Nudge | None = None
        """The nudge from which the turn was worked out last."""
        self._beyond: float | None = None
        """Size of the turn minus that of its nudge; None: the newest nudge was no turn."""

    def take(self, turn: Nudge | None, nudge: Nudge) -> None:
        """Take the `turn` that was seen as `nudge`; None: it was the tool's pull."""
        self._beyond = self._refined_from = None
        if turn is not None:
            self.turn, self._beyond = turn, turn.size - nudge.size

    def refine(self, nudge: Nudge) -> Nudge | None:
        """Take the newest nudge as it is known by now: what creeps after a turn is part of it.

        Returns:
            The turn, where that has changed it.
        """
        if self.turn is None or self._beyond is None or nudge is self._refined_from:
            return None
        self._refined_from = nudge
        was, self.turn = self.turn, replace(nudge, size=nudge.size + self._beyond)
        return self.turn if self.turn != was else None

    def withdraw(self) -> None:
        """Take the turn for the touch that was just reported."""
        self._withdrawn, self.turn, self._beyond = self.turn, None, None

    def restore(self) -> None:
        """Take it for a turn again: the touch has shown a step of its own."""
        self.turn = self._withdrawn
