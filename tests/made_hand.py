"""A made hand at a made trimmer, led by what the screen says or by the counter's digits alone.

Invented data, the project's own figures. A usual nudge is 8 ppb. What the hand turns differs from
what it meant by 30 % (sd); a tenth of a turn creeps in with 4 s; in reversing the first half of a
usual nudge is lost in backlash. Tool and hand pull by 0.5 to 1.5 usual nudges and come to rest with
0.3 s. The tolerance is a fifth of a usual nudge. Readings of a quarter second, noise 0.1 ppb.

Both hands begin hands off, two to six usual nudges away, and take the same time for what they do.
"""

import math
from dataclasses import dataclass, field
from typing import Final, Protocol

import numpy as np

from benchwatch.estimate.live import LiveEstimate
from benchwatch.estimate.results import Estimate
from benchwatch.estimate.trim import at_rest
from benchwatch.snapshot import TrimNow
from benchwatch.trimming import Trimming

USUAL: Final = 8e-9
TOLERANCE: Final = 0.2 * USUAL
ERROR: Final = 0.3
BACKLASH: Final = 0.5 * USUAL
CREEP, CREEP_S = 0.1, 4.0
HAND_S: Final = 0.3
SIGMA: Final = 1e-10
GATE_S: Final = 0.25
QUIET_S: Final = 30.0
HOLD_S: Final = 30.0
"""Inside for so long, hands off, is landed, for both."""
TURN_S, PLACE_S = 1.0, 1.0
"""From the decision to the turn done; from taking up the tool to its being on, or off."""
PATIENCE_S: Final = 2.0
"""So long it waits for the screen to show a turn."""
LONGEST_S: Final = 900.0
_FINE = 5


class Trimmer:
    """The truth: what the oscillator does with what the hand does."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng
        self._start = USUAL * rng.uniform(2.0, 6.0) * rng.choice((-1.0, 1.0))
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
        self._pulls.append((at_s, self.pull if on else -self.pull))

    def offset(self, at_s: float) -> float:
        """Return the true offset at a time, fractional."""
        turned = math.fsum(
            size * (1.0 - CREEP * math.exp((then - at_s) / CREEP_S))
            for then, size in self._turns
            if then <= at_s
        )
        pulled = math.fsum(
            size * (1.0 - math.exp((then - at_s) / HAND_S))
            for then, size in self._pulls
            if then <= at_s
        )
        return self._start + turned + pulled

    @property
    def rest(self) -> float:
        """Where it is once nothing creeps, hands off."""
        return self._start + math.fsum(size for _, size in self._turns)

    def reading(self, ends_s: float) -> float:
        """Return a reading of the gate that ends at a time."""
        steps = [(place + 0.5) / _FINE * GATE_S for place in range(_FINE)]
        mean = math.fsum(self.offset(ends_s - GATE_S + step) for step in steps) / _FINE
        return mean + SIGMA * float(self._rng.standard_normal())


@dataclass
class Seen:
    """What the hand can see after a reading."""

    at_s: float
    reading: float
    estimate: Estimate | None
    """Where it is, or where it is going to rest."""
    trim: TrimNow


class Hand(Protocol):
    """Decides what to do next: turn, put the tool on or lift it, wait, or call it landed."""

    def decide(self, seen: Seen, *, on: bool) -> "float | str | None":
        """Return how far to turn, ``place``, ``landed``, or None to wait."""
        ...


@dataclass
class Result:
    """How one trim went."""

    took_s: float = math.inf
    """From tool on to landed."""
    off_s: float = math.inf
    """From tool on to the last time it was lifted."""
    touches: int = 0
    turns: int = 0
    false: bool = False
    """Called landed with a level at rest outside the tolerance."""


def trim(rng: np.random.Generator, hand: Hand) -> Result:
    """Let a hand trim a made oscillator."""
    trimmer, live, trimming = (
        Trimmer(rng),
        LiveEstimate(tolerance=TOLERANCE),
        Trimming(TOLERANCE, None),
    )
    result, on, began_s, lifted_s = Result(), False, math.nan, math.nan
    todo: tuple[float, float | str] | None = None
    for count in range(1, int(LONGEST_S / GATE_S)):
        now_s = count * GATE_S
        if todo is not None and todo[0] <= now_s - GATE_S:
            at_s, what = todo
            todo = None
            if isinstance(what, str):
                on = not on
                result.touches += on
                lifted_s = at_s
                began_s = at_s if math.isnan(began_s) else began_s
                trimmer.place(at_s, on=on)
                trimming.touch(at_s, live.numbers, on=on)
            else:
                result.turns += 1
                trimmer.turn(at_s, what)
        reading = trimmer.reading(now_s)
        numbers = live.add(now_s - GATE_S / 2.0, reading, gate_s=GATE_S)
        state = trimming.add(now_s - GATE_S / 2.0, reading, numbers)
        if now_s < QUIET_S or todo is not None:
            continue
        told = hand.decide(Seen(now_s, reading, at_rest(numbers), state), on=on)
        if told == "landed":
            result.took_s, result.off_s = now_s - began_s, lifted_s - began_s
            result.false = abs(trimmer.rest) > TOLERANCE
            break
        if told is not None:
            todo = (now_s + (PLACE_S if isinstance(told, str) else TURN_S), told)
    return result


@dataclass
class ByDigits:
    """Puts the tool on, turns by what the digits say, lifts it, waits ten seconds, looks again."""

    wait_s: float = 10.0
    _until_s: float = 0.0
    _turned: bool = False
    _inside_s: float | None = None

    def decide(self, seen: Seen, *, on: bool) -> "float | str | None":
        """See `Hand`."""
        if on:
            if not self._turned:
                self._turned = True
                return -self._away
            self._turned = False
            self._until_s = seen.at_s + PLACE_S + self.wait_s
            return "place"
        if seen.at_s < self._until_s:
            return None
        if abs(seen.reading) <= TOLERANCE:
            if self._inside_s is None:
                self._inside_s = seen.at_s
            return "landed" if seen.at_s - self._inside_s >= HOLD_S else None
        self._inside_s = None
        self._away = seen.reading
        return "place"

    _away: float = field(default=0.0)


@dataclass
class Coached:
    """Does what the screen says: waits until it is good to judge, turns by the way left."""

    _turned: bool = False
    _done_s: float = 0.0
    """When it has done what it decided last."""

    def decide(self, seen: Seen, *, on: bool) -> "float | str | None":
        """See `Hand`."""
        told = self._decide(seen, on=on)
        if told is not None:
            self._done_s = seen.at_s + max(TURN_S, PLACE_S)
        return told

    def _answered(self, seen: Seen) -> bool:
        """Tell whether the screen shows what was done last, or has had the time to."""
        if not self._turned or seen.at_s >= self._done_s + PATIENCE_S:
            return True
        turn = seen.trim.turn
        return turn is not None and turn.at_s + turn.lasted_s >= self._done_s - GATE_S

    def _decide(self, seen: Seen, *, on: bool) -> "float | str | None":
        now, estimate = seen.trim, seen.estimate
        if not on and now.landing is not None and now.landing.state == "landed":
            return "landed"
        ready = now.judgement is not None and now.judgement.ready and not now.touched
        if estimate is None or not ready or not self._answered(seen):
            return None
        known = now.tool is not None and now.tool.pull is not None
        if on:
            if self._turned and (not known or now.direction == "inside"):
                self._turned = False
                return "place"
            self._turned = True
            return self._way_left(seen, known=known)
        if now.direction == "inside":
            return None
        self._left = -estimate.offset
        return "place"

    def _way_left(self, seen: Seen, *, known: bool) -> float:
        """Return the way left to the aim; with the pull unknown, that of before the tool was on."""
        if not known:
            return self._left
        if seen.trim.hint is not None:
            return seen.trim.hint.left
        assert seen.estimate is not None
        assert seen.trim.tool is not None
        return seen.trim.tool.aim - seen.estimate.offset

    _left: float = field(default=0.0)
