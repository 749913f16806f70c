"""The state of each counter of a bench, the order of their rows, and the sum of their troubles.

Pure: snapshots and times go in, words and an order come out.
"""

import math
from collections import Counter, deque
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Final, Literal, get_args

from benchwatch.estimate.trim.trim_hint import COVERAGE_K, estimate_at_rest
from benchwatch.estimate.uncertainty.limit_side import LimitSide, limit_side
from benchwatch.snapshot import Snapshot
from benchwatch.staleness import is_current, longest_age_s

BenchState = Literal[
    "lost", "silent", "not there yet", "outside", "own time base",
    "moving", "warming", "unsent", "unsure", "ok",
]  # fmt: skip
"""State of a counter on a bench, worst first. The first that holds counts.

``lost``: it was read before, and the link is broken: it is tried again, or it ended with an error.
``silent``: it was read before, the link is open, and the next reading is overdue, by the link's own
report or by the age of the newest reading (`benchwatch.staleness`); or it gives no more readings.
``not there yet``: no reading was ever taken, whatever the link does.
``outside``: none of offset ± U lies inside the tolerance (`benchwatch.estimate.uncertainty.
limit_side` with k = 2), measured from the aim, and at rest where a creep is forecast.
``own time base``: it counts by its internal time base, and nothing is known of that to put the
readings right.
``moving``: the tool is on or was just put on or lifted, a turn creeps or is not judged yet, or the
offset drifts by more than the settle limit after a turn or after it had settled once.
``warming``: it drifts by more than the settle limit and has not settled yet.
``unsent``: so many of its station's events are not in the central record yet, or for so long, that
a person should know (`RelayNow.behind`); none is lost, and they are sent when the broker answers.
``unsure``: no estimate or no u is known yet, offset ± U lies on both sides of the tolerance's edge,
or the noise is too large for a settle verdict; also while the unit is dialled to another setting.
``ok``: none of these."""

WORST_FIRST: Final[tuple[BenchState, ...]] = get_args(BenchState)
TROUBLES: Final[tuple[BenchState, ...]] = WORST_FIRST[: WORST_FIRST.index("moving")]
"""The states that need somebody; the others are work that goes on."""
NO_NUMBERS: Final[frozenset[BenchState]] = frozenset({"lost", "silent", "not there yet"})
"""The states in which no number of the counter is current."""
FALLS_AFTER_S: Final = 10.0
"""A row falls when its counter has not been in a worse state for so long."""
MOST_SHARE: Final = 1e6
"""Tolerances; what is farther off is not told apart."""
SHARE_STEP: Final = 0.05
"""Shares of the tolerance that lie in one step are the same, so that noise moves no rows."""
Standing = tuple[int, int]
"""Place of the state in `WORST_FIRST`, and steps of the tolerance that the offset takes, negative:
the smaller, the worse."""
_PLACES: Final = {state: place for place, state in enumerate(WORST_FIRST)}


def bench_state(now: Snapshot, at_s: float) -> BenchState:
    """Return the state of a counter at `at_s`, seconds of the run."""
    link = now.link.state
    if now.reading is None:
        return "not there yet"
    if link in {"lost", "connecting"} or (link == "ended" and now.link.detail):
        return "lost"
    if now.dialled_hz is not None and link == "reading":
        return "unsure"
    if not is_current(now, at_s):
        return "silent"
    return _state_by_numbers(now)


def unchanged_until_s(now: Snapshot, at_s: float) -> float:
    """Return until when (seconds of the run) the state of a snapshot at `at_s` holds.

    Only the age of the newest reading changes the state without a new snapshot; infinite where it
    can't.
    """
    longest_s = longest_age_s(now)
    is_read = now.link.state == "reading" and now.dialled_hz is None
    if now.reading is None or longest_s is None or not is_read:
        return math.inf
    overdue_s = now.reading.elapsed_s + longest_s
    return overdue_s if at_s <= overdue_s else math.inf


def tolerance_side(now: Snapshot) -> LimitSide | None:
    """Return the side of the tolerance on which offset ± U lies, seen from the aim.

    None: no tolerance was asked for, there is no estimate yet, or the tool has just been moved.
    """
    estimate, tolerance = estimate_at_rest(now.numbers), now.numbers.tolerance
    if estimate is None or tolerance is None or (now.trim is not None and now.trim.touched):
        return None
    reach = None if estimate.u is None else COVERAGE_K * estimate.u
    return limit_side(estimate.offset - now.aim, reach, tolerance.limit)


def share_of_tolerance(now: Snapshot) -> float | None:
    """Return how much of the tolerance the offset takes, seen from the aim; 1 at its edge.

    None: there is no tolerance, or no estimate yet.
    """
    estimate, tolerance = estimate_at_rest(now.numbers), now.numbers.tolerance
    if estimate is None or tolerance is None or not tolerance.limit > 0.0:
        return None
    return abs(estimate.offset - now.aim) / tolerance.limit


def _state_by_numbers(now: Snapshot) -> BenchState:
    """Return the state of a counter that gives readings."""
    side, settle = tolerance_side(now), now.numbers.settle
    if side == "outside":
        return "outside"
    if now.time_base.source == "internal" and now.reading and now.reading.correction is None:
        return "own time base"
    if _is_moving(now):
        return "moving"
    if settle is not None and settle.state == "warming":
        return "warming"
    if now.relay is not None and now.relay.behind:
        return "unsent"
    estimate = now.numbers.estimate
    known = estimate is not None and estimate.u is not None and side != "undecided"
    return "ok" if known and (settle is None or settle.state != "unsure") else "unsure"


def _is_moving(now: Snapshot) -> bool:
    """Return whether the tool, a turn, or a drift that is no warm-up moves the offset."""
    trim, settle = now.trim, now.numbers.settle
    turn = now.numbers.last_nudge if trim is None else trim.turn
    if now.numbers.rest is not None:
        return True
    if trim is not None:
        judged = trim.judgement is None or trim.judgement.ready
        if trim.touched or (trim.tool is not None and trim.tool.on):
            return True
        if turn is not None and not judged:
            return True
    if settle is None or settle.state != "warming":
        return False
    return turn is not None or settle.held is not None


def bench_standing(state: BenchState, share: float | None) -> Standing:
    """Return where a counter stands on its bench: by its state, then by the share of its tolerance.

    Args:
        state: its state.
        share: as of `share_of_tolerance`; it says nothing where no number is current.
    """
    known = share is not None and state not in NO_NUMBERS
    return _PLACES[state], -int(min(share or 0.0, MOST_SHARE) / SHARE_STEP) if known else 0


@dataclass(slots=True)
class _Row:
    """Where a counter stands, and where it stood worse before."""

    now: Standing
    worse: deque[tuple[float, Standing]] = field(default_factory=deque)
    """When it stood so last and where, the worst and oldest first."""

    def change(self, to: Standing, was_at_s: float) -> None:
        """Change the standing, which was `now` until `was_at_s`."""
        if to > self.now:
            self.worse.append((was_at_s, self.now))
        while self.worse and self.worse[-1][1] >= to:
            self.worse.pop()
        self.now = to

    def standing(self, since_s: float) -> Standing:
        """Return the worst standing since `since_s`; forget what was before."""
        while self.worse and self.worse[0][0] <= since_s:
            self.worse.popleft()
        return self.worse[0][1] if self.worse else self.now


class BenchRanking:
    """The order of the rows of a bench: worst first, ties in the order of the bench.

    A row rises at once, and falls `FALLS_AFTER_S` after its counter last stood worse, so that a
    counter which flickers does not make its row jump.
    """

    def __init__(self) -> None:
        self._rows: dict[str, _Row] = {}
        self._standings: dict[str, Standing] = {}
        self._order: tuple[str, ...] = ()
        self._falls_at_s = math.inf
        """The time from which a row may fall; until then only new standings change the order."""
        self._at_s = -math.inf

    def follow(self, standings: Mapping[str, Standing], at_s: float) -> tuple[str, ...]:
        """Return the names of the counters in the order of their rows.

        Args:
            standings: the present standing of every counter, in the order of the bench.
            at_s: the present, in seconds; where it runs backwards, what was before is forgotten.
        """
        if at_s < self._at_s:
            self._rows, self._standings = {}, {}
        if at_s >= self._falls_at_s or standings != self._standings:
            for name, standing in standings.items():
                row = self._rows.setdefault(name, _Row(standing))
                if row.now != standing:
                    row.change(standing, self._at_s)
            self._standings = dict(standings)
            self._sort(at_s)
        self._at_s = at_s
        return self._order

    def _sort(self, at_s: float) -> None:
        """Sort the rows, and find the time at which the next of them may fall."""
        since_s = at_s - FALLS_AFTER_S
        ranks = {
            name: row.standing(since_s) if row.worse else row.now
            for name, row in self._rows.items()
        }
        falls_s = [row.worse[0][0] for row in self._rows.values() if row.worse]
        self._order = tuple(sorted(ranks, key=ranks.__getitem__))
        self._falls_at_s = min(falls_s, default=math.inf) + FALLS_AFTER_S


@dataclass(frozen=True, slots=True)
class BenchTrouble:
    """How many counters are in a state, and which."""

    state: BenchState
    names: tuple[str, ...]
    """In the order of the bench."""


def sum_of_troubles(
    states: Mapping[str, BenchState],
    *,
    without: str = "",
    of: Collection[BenchState] = TROUBLES,
) -> tuple[BenchTrouble, ...]:
    """Return the troubles of a bench by state, worst first.

    Args:
        states: the state of every counter, in the order of the bench.
        without: the counter that is left out; empty: none.
        of: the states that are counted.
    """
    found = Counter(state for name, state in states.items() if name != without and state in of)
    return tuple(
        BenchTrouble(state, tuple(n for n, s in states.items() if s == state and n != without))
        for state in WORST_FIRST
        if found[state]
    )
