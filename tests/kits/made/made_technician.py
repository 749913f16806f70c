"""Made technicians who trim a made oscillator by the screen, by the digits, or knowing the truth.

Invented data, the project's own figures. A usual nudge is 8 ppb. A turn differs from the intended
one by 30 % (sd), and a tenth of it creeps in with a time constant of 4 s. At a reversal the first
half of a usual nudge is lost in backlash. Tool and hand pull by 0.5 to 1.5 usual nudges and come to
rest with a time constant of 0.3 s. The tolerance is a fifth of a usual nudge. The gate is a quarter
of a second, the noise 0.1 ppb.

All technicians begin hands off, equally far away, and take the same time for each action. All know
the trimmer's sensitivity, within their 30 %.
"""

import math
from dataclasses import dataclass, field
from typing import Final, Protocol

import numpy as np

from benchwatch.estimate.live_estimate import LiveEstimate
from benchwatch.estimate.results import Estimate
from benchwatch.estimate.trim.trim_hint import estimate_at_rest
from benchwatch.pipeline.trim_tracker import TrimTracker
from benchwatch.snapshot import TrimNow

USUAL: Final = 8e-9
TOLERANCE: Final = 0.2 * USUAL
ERROR: Final = 0.3
BACKLASH: Final = 0.5 * USUAL
PULL_S: Final = 0.3
QUIET_S: Final = 60.0
HOLD_S: Final = 30.0
"""Time inside the tolerance, hands off, after which `ByDigits` takes the trim as landed."""
STAYS_S: Final = 300.0
"""A landing is false when the offset leaves the tolerance by itself within this time."""
TURN_S, PLACE_S = 1.0, 1.0
"""Time from the decision to the end of the turn, and to the tool being on or off."""
EDGE_S: Final = 5.0
"""`Coached` puts the tool on again when the offset was inside, but not surely, for so long."""
UNSEEN_TURN_S: Final = 2.0
"""Longest wait of `Coached` for the screen to show a turn, if two and a half gates are shorter."""
LONGEST_S: Final = 900.0
_FINE, _FINE_S = 5, 0.05


@dataclass(frozen=True, slots=True)
class Bench:
    """Parameters that differ between sets of trims."""

    near: float = 5.0
    far: float = 20.0
    """Least and greatest offset at the beginning, in usual nudges."""
    gate_s: float = 0.25
    sigma: float = 1e-10
    """Gate of a reading, and its noise (sd)."""
    creep: float = 0.1
    creep_s: float = 4.0
    """Part of a turn that creeps in, and its time constant."""
    pull_varies: float = 0.0
    """sd of the pull from touch to touch, as a part of it."""


class Trimmer:
    """The true offset of the oscillator after each turn and touch."""

    def __init__(self, rng: np.random.Generator, bench: Bench) -> None:
        self._rng = rng
        self._bench = bench
        self._start = USUAL * rng.uniform(bench.near, bench.far) * rng.choice((-1.0, 1.0))
        self.pull = USUAL * rng.uniform(0.5, 1.5) * rng.choice((-1.0, 1.0))
        self._turns: list[tuple[float, float]] = []
        self._pulls: list[tuple[float, float]] = []
        self._way = 0.0
        self._slack = 0.0

    def turn(self, at_s: float, meant: float) -> None:
        """Turn by about `meant`."""
        size = meant * (1.0 + ERROR * self._rng.standard_normal())
        way = math.copysign(1.0, size)
        if self._way not in (0.0, way):
            self._slack = BACKLASH - self._slack
        self._way = way
        moved = max(abs(size) - self._slack, 0.0)
        self._slack = max(self._slack - abs(size), 0.0)
        self._turns.append((at_s, way * moved))

    def place(self, at_s: float, *, on: bool) -> None:
        """Put the tool on, or lift it."""
        size = -math.fsum(size for _, size in self._pulls)
        if on:
            varies = self._bench.pull_varies
            size = self.pull * (1.0 + varies * self._rng.standard_normal() if varies else 1.0)
        self._pulls.append((at_s, size))

    def offset(self, at_s: float) -> float:
        """Return the true offset at a time, fractional."""
        creep, creep_s = self._bench.creep, self._bench.creep_s
        turned = math.fsum(
            size * (1.0 - creep * math.exp((then - at_s) / creep_s))
            for then, size in self._turns
            if then <= at_s
        )
        pulled = math.fsum(
            size * (1.0 - math.exp((then - at_s) / PULL_S))
            for then, size in self._pulls
            if then <= at_s
        )
        return self._start + turned + pulled

    @property
    def rest(self) -> float:
        """The offset once nothing creeps, hands off."""
        return self._start + math.fsum(size for _, size in self._turns)

    def lost(self, meant: float) -> float:
        """Return the backlash that a turn by `meant` meets."""
        return self._slack if self._way * meant >= 0.0 else BACKLASH - self._slack

    def stays(self, from_s: float) -> bool:
        """Return whether the offset stays inside the tolerance for `STAYS_S`, untouched."""
        after = (from_s + second for second in range(int(STAYS_S)))
        return all(abs(self.offset(at_s)) <= TOLERANCE for at_s in after)

    def reading(self, ends_s: float) -> float:
        """Return a reading of the gate that ends at a time."""
        gate_s = self._bench.gate_s
        fine = max(_FINE, round(gate_s / _FINE_S))
        steps = [(place + 0.5) / fine * gate_s for place in range(fine)]
        mean = math.fsum(self.offset(ends_s - gate_s + step) for step in steps) / fine
        return mean + self._bench.sigma * float(self._rng.standard_normal())


@dataclass
class Seen:
    """All that a technician may look at after a reading."""

    at_s: float
    reading: float
    estimate: Estimate | None
    """The offset, or during a creep the level at rest."""
    trim: TrimNow
    gate_s: float
    truth: Trimmer
    """For `KnowsTheTruth` only."""


class Technician(Protocol):
    """Decides the next action: turn, put the tool on or lift it, wait, or end the trim."""

    def decide(self, seen: Seen, *, on: bool) -> "float | str | None":
        """Return the turn (fractional), ``place`` (tool on or off), ``landed``, or None to wait."""
        ...


@dataclass
class Result:
    """The result of one trim."""

    took_s: float = math.inf
    """From tool on to landed."""
    off_s: float = math.inf
    """From tool on to the last time it was lifted."""
    touches: int = 0
    turns: int = 0
    false: bool = False
    """Whether the trim was ended as landed, but the offset leaves the tolerance by itself."""
    spent_s: dict[str, float] = field(default_factory=dict)
    """Seconds spent on each kind of action or wait, from tool on to landed."""


def trim(rng: np.random.Generator, technician: Technician, bench: Bench | None = None) -> Result:
    """Let a technician trim a made oscillator."""
    bench = bench or Bench()
    gate_s = bench.gate_s
    trimmer, live, trimming = (
        Trimmer(rng, bench),
        LiveEstimate(tolerance=TOLERANCE),
        TrimTracker(TOLERANCE, None),
    )
    result, on, began_s, lifted_s = Result(), False, math.nan, math.nan
    todo: tuple[float, float | str] | None = None
    for count in range(1, int(LONGEST_S / gate_s)):
        now_s = count * gate_s
        if todo is not None and todo[0] <= now_s - gate_s:
            at_s, what = todo
            todo = None
            if isinstance(what, str):
                on = not on
                result.touches += on
                lifted_s = at_s
                began_s = at_s if math.isnan(began_s) else began_s
                trimmer.place(at_s, on=on)
                live.touch(at_s)
                trimming.touch(at_s, live.numbers, on=on)
            else:
                result.turns += 1
                trimmer.turn(at_s, what)
        reading = trimmer.reading(now_s)
        numbers = live.add(now_s - gate_s / 2.0, reading, gate_s=gate_s)
        state = trimming.add(now_s - gate_s / 2.0, reading, numbers)
        if now_s < QUIET_S:
            continue
        if result.touches:
            what_for = _spent(state, on=on, doing=None if todo is None else todo[1])
            result.spent_s[what_for] = result.spent_s.get(what_for, 0.0) + gate_s
        if todo is not None:
            continue
        decision = technician.decide(
            Seen(now_s, reading, estimate_at_rest(numbers), state, gate_s, trimmer), on=on
        )
        if decision == "landed":
            result.took_s, result.off_s = now_s - began_s, lifted_s - began_s
            result.false = not trimmer.stays(now_s)
            break
        if decision is not None:
            todo = (now_s + (PLACE_S if isinstance(decision, str) else TURN_S), decision)
    return result


def _spent(now: TrimNow, *, on: bool, doing: "float | str | None") -> str:
    """Return the name of the action or wait at this moment."""
    if doing is not None:
        return "placing" if isinstance(doing, str) else "turning"
    if now.touched:
        return "tool on, moves" if on else "lifted, moves"
    if on:
        return "tool on, waits"
    return "inside" if now.direction == "inside" else "off, outside"


@dataclass
class ByDigits:
    """Trims by the counter's digits: tool on, one turn, tool off, ten seconds' wait, a reading.

    While the tool is on, the digits include its pull, so this technician reads them hands off only,
    and turns once a touch. The trim is landed when hands have been off for 30 s and each reading
    from the tenth second on was inside; the screen holds as long at most (common practice, no
    source).
    """

    wait_s: float = 10.0
    hold_s: float = HOLD_S
    _lifted_s: float = -math.inf
    _turned: bool = False
    _away: float = 0.0

    def decide(self, seen: Seen, *, on: bool) -> "float | str | None":
        """See `Technician`."""
        if on:
            if not self._turned:
                self._turned = True
                return -self._away
            self._turned = False
            self._lifted_s = seen.at_s + PLACE_S
            return "place"
        if seen.at_s < self._lifted_s + self.wait_s:
            return None
        if abs(seen.reading) <= TOLERANCE:
            return "landed" if seen.at_s >= self._lifted_s + self.hold_s else None
        self._away = seen.reading
        return "place"


class KnowsTheTruth:
    """Knows offset, pull, creep and backlash without readings or waits, but turns as inexactly.

    This is the best that any program could reach with such a technician.
    """

    def decide(self, seen: Seen, *, on: bool) -> "float | str | None":
        """See `Technician`."""
        left = -seen.truth.rest
        if abs(left) <= TOLERANCE:
            if on:
                return "place"
            return "landed" if seen.truth.stays(seen.at_s) else None
        if not on:
            return "place"
        return left + math.copysign(seen.truth.lost(left), left)


@dataclass
class Coached:
    """Follows the screen: waits until the estimate is ready to judge, turns by the way left."""

    _turned: bool = False
    _edge_s: float = 0.0
    _done_s: float = 0.0
    """When the action decided last is done."""

    def decide(self, seen: Seen, *, on: bool) -> "float | str | None":
        """See `Technician`."""
        decision = self._decide(seen, on=on)
        if decision is not None:
            self._edge_s = 0.0
            self._done_s = seen.at_s + max(TURN_S, PLACE_S)
        return decision

    def _answered(self, seen: Seen) -> bool:
        """Return whether the screen shows the last turn, or has had enough time to."""
        if not self._turned or seen.at_s >= self._done_s + max(UNSEEN_TURN_S, 2.5 * seen.gate_s):
            return True
        turn = seen.trim.turn
        return turn is not None and turn.at_s + turn.lasted_s >= self._done_s - seen.gate_s

    def _decide(self, seen: Seen, *, on: bool) -> "float | str | None":
        now, estimate = seen.trim, seen.estimate
        if not on and now.landing is not None and now.landing.state == "landed":
            return "landed"
        ready = now.judgement is not None and now.judgement.ready and not now.touched
        if estimate is None or not ready or not self._answered(seen):
            return None
        if on:
            return self._with_tool(seen)
        if now.direction == "inside" and not self._at_the_edge(seen):
            return None
        self._left = -estimate.offset
        return "place"

    def _with_tool(self, seen: Seen) -> "float | str | None":
        """Decide with the tool on: turn, lift the tool, or wait until the screen shows which."""
        now = seen.trim
        known = now.tool is not None and now.tool.aim_pull is not None
        if self._turned and (now.lift or not known):
            self._turned = False
            return "place"
        if self._turned and now.direction == "inside" and now.lift is None:
            return None
        self._turned = True
        return self._way_left(seen, known=known)

    def _at_the_edge(self, seen: Seen) -> bool:
        """Return whether the uncertainty on the screen has reached outside for `EDGE_S`."""
        landing = seen.trim.landing
        if landing is None or landing.state == "outside":
            self._edge_s += seen.gate_s
        return self._edge_s >= EDGE_S

    def _way_left(self, seen: Seen, *, known: bool) -> float:
        """Return the way left to the aim; with the pull unknown, that from before the touch."""
        if not known:
            return self._left
        hint = seen.trim.hint
        if hint is not None:
            return hint.left + math.copysign(hint.lost or 0.0, hint.left)
        assert seen.estimate is not None
        assert seen.trim.tool is not None
        return seen.trim.tool.aim - seen.estimate.offset

    _left: float = field(default=0.0)
