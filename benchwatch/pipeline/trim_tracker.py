"""How the turning of the trimmer stands: judgement, hint, tool, landing, as found.

One object a counter, fed with the numbers after each reading; nothing here measures, it puts
the small machines of `benchwatch.estimate` side by side.
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
        self._turn: Nudge | None = None
        """The newest nudge that was a turn and not the tool's pull."""
        self._turns = LearnedTurns()
        self._newest_offset = math.nan
        self._apart = math.inf
        """How far the newest two readings lie apart."""
        self._taken: Nudge | None = None
        """The turn that was taken for the newest touch."""
        self._grown: Nudge | None = None
        """The newest nudge as it was when the turn was last worked out from it."""
        self._other: float | None = None
        """By how much the turn differs from the nudge that it came with; None: from none."""
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
        self._turn = turn
        if known or turn is not None:
            self._found.resume()

    def add(self, elapsed_s: float, offset: float, numbers: Numbers) -> TrimNow:
        """Take the reading at `elapsed_s`, its fractional `offset` and the numbers after it."""
        nudge = numbers.confirmed_nudge
        if nudge is not None:
            turn = self._tool.step(nudge)
            if self._tool.reassigned:
                self._turn = self._taken
                self._turns.restore()
            self.by_tool = turn is None
            self._other = self._grown = None
            if turn is not None:
                self._turn, self._other = turn, turn.size - nudge.size
                self._turns.add(turn)
                self._found.turn(turn, tool_on=self._tool.state.on)
        else:
            self._grow(numbers.last_nudge)
        apart = abs(offset - self._newest_offset)
        self._newest_offset, self._apart = offset, math.inf if math.isnan(apart) else apart
        if math.isfinite(offset) and not numbers.suspect:
            self._tool.add(elapsed_s, offset, numbers.noise)
        if not self._tool.state.on:
            self._found.add(elapsed_s, numbers)
        landing, touched = None, self._tool.unsettled(elapsed_s)
        if self._landing is not None:
            landing = self._landing.add(
                elapsed_s,
                numbers,
                tool_on=self._tool.state.on,
                offset=math.nan if touched else offset,
            )
        self._newest = now = self._now(numbers, landing, touched=touched)
        if now.left is not None and now.judgement is not None and now.judgement.ready:
            self._turns.advise(elapsed_s, now.left, now.left_u or 0.0)
        return now

    def _grow(self, newest: Nudge | None) -> None:
        """Take the newest nudge as it is known now: what creeps after a turn is part of it."""
        if self._turn is None or self._other is None or newest is None or newest is self._grown:
            return
        self._grown = newest
        was, self._turn = self._turn, replace(newest, size=newest.size + self._other)
        if self._turn != was:
            self._turns.grow(self._turn)

    def touch(self, at_s: float, numbers: Numbers, *, on: bool) -> TrimNow:
        """The operator says at `at_s` that the tool is on the trimmer, or off.

        What `numbers` say is from before it: the wait until it is good enough begins anew.
        """
        if self._tool.touch(at_s, on=on):
            self._taken, self._turn, self._other = self._turn, None, None
            self._turns.withdraw()
        self._turns.touch()
        if on:
            self._found.touch()
        landing = None
        if self._landing is not None:
            self._landing.restart()
            landing = LandingNow("outside", 0.0, DEFAULT_HOLD_S, PUT_ON if on else LIFTED)
        self._newest = self._now(numbers, landing, touched=True)
        return self._newest

    def _now(self, numbers: Numbers, landing: LandingNow | None, *, touched: bool) -> TrimNow:
        tool, estimate = self._tool.state, at_rest(numbers)
        if estimate is None:
            return TrimNow(
                tool=tool, landing=landing, turn=self._turn, touched=touched, turns=self._turns.now
            )
        aim, aim_u = tool.aim, tool.aim_u
        judgement = judge(estimate, self._tolerance, aim, aim_u, self._apart)
        aimed = (tool.aims_by is not None or not tool.on) and not touched
        return TrimNow(
            direction=direction(estimate, self._tolerance, aim),
            judgement=anew(judgement) if touched else judgement,
            hint=None if touched else self._by_turns(hint(estimate, self._turn, aim, aim_u)),
            tool=tool,
            landing=landing,
            turn=self._turn,
            touched=touched,
            turns=self._turns.now,
            left=aim - estimate.offset if aimed else None,
            left_u=math.hypot(estimate.u or 0.0, aim_u) if aimed else None,
            lift=lifts(estimate, self._tolerance, aim)
            if aimed and tool.on and judgement.ready
            else None,
        )

    def _by_turns(self, told: Hint | None) -> Hint | None:
        """Add to a hint what is known of the turns of this run."""
        known = self._turns.now
        if told is None or known is None:
            return told
        of_usual = None if known.usual is None else abs(told.left) / known.usual
        return replace(told, of_usual=of_usual, lost=self._turns.lost(told.left))

    def gap(self, *, goes_on: bool = False) -> TrimNow:
        """Readings were missed: nothing is held across it, what was learned stays.

        Args:
            goes_on: the level goes on over the gap (`LiveEstimate.gap`): so does the turning.
        """
        if goes_on:
            return self._newest
        if self._landing is not None:
            self._landing.restart()
        self._tool.gap()
        self._newest_offset, self._apart = math.nan, math.inf
        self._turns.gap()
        self._newest = TrimNow(tool=self._tool.state, turn=self._turn, turns=self._turns.now)
        return self._newest
