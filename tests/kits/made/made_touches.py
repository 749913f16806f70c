"""Made benches with known truth: a tool that is put on a trimmer, comes to rest, and is lifted.

Invented data. Readings every quarter second with white noise of 1e-10, rounded to 4e-11. A tool
that pulls by 6 ppb comes to rest exponentially with a time constant of 0.3 s. Readings are means
over their gates, so the first one after a touch shows only a part of it. The operator presses the
key up to a second before or after the touch.
"""

from dataclasses import dataclass

import numpy as np

from benchwatch.estimate.live_estimate import LiveEstimate
from benchwatch.estimate.trim.mean_pull import MeanPull
from benchwatch.pipeline.trim_tracker import TrimTracker
from benchwatch.snapshot import TrimNow

PULL = 6e-9
REST_S = 0.3
SIGMA, DIGIT = 1e-10, 4e-11
_FINE = 20


@dataclass(frozen=True, slots=True)
class Move:
    """A step of the offset: a touch of the tool, a lift or a turn."""

    at_s: float
    size: float
    """Fractional."""
    rest_s: float = 0.0
    """Time constant with which the offset comes to rest; 0: at once."""


@dataclass(frozen=True, slots=True)
class Press:
    """The operator presses the key that reports the tool on or off."""

    at_s: float
    on: bool


def touches(
    rng: np.random.Generator,
    times: int,
    *,
    held_s: float,
    apart_s: float = 20.0,
    early: float = 0.3,
) -> tuple[list[Move], list[Press]]:
    """Return the steps and key presses of `times` touches, each `held_s` long.

    Args:
        rng: draws the times.
        times: number of touches.
        held_s: from a touch to its lift.
        apart_s: from a lift to the next touch.
        early: most seconds by which a key is pressed before or after its step.
    """
    moves, keys = [], []
    at_s = 20.0 + rng.uniform()
    for _ in range(times):
        for on in (True, False):
            moves.append(Move(at_s, PULL if on else -PULL, REST_S))
            keys.append(Press(at_s + rng.uniform(-early, early), on))
            at_s += held_s if on else apart_s
    return moves, keys


def follow(
    rng: np.random.Generator,
    moves: list[Move],
    keys: list[Press],
    *,
    lasts_s: float,
    gate_s: float = 0.25,
    tolerance: float = 5e-9,
    trimming: TrimTracker | None = None,
) -> tuple[MeanPull | None, list[tuple[float, TrimNow]]]:
    """Run the live estimate and the trim tracker over made readings.

    Returns:
        The pull learned, and the time and the state of the trim after each reading and key.
    """
    count = int(lasts_s / gate_s)
    fine = (np.arange(count * _FINE) + 0.5) * gate_s / _FINE
    moved = np.zeros(count * _FINE)
    for move in moves:
        late = fine - move.at_s
        rest = np.exp(-np.maximum(late, 0.0) / move.rest_s) if move.rest_s else 0.0
        moved += np.where(late >= 0.0, move.size * (1.0 - rest), 0.0)
    read = moved.reshape(count, _FINE).mean(axis=1) + rng.normal(0.0, SIGMA, count)
    read = np.round(read / DIGIT) * DIGIT
    live, trimming = LiveEstimate(tolerance=tolerance), trimming or TrimTracker(tolerance, None)
    waiting, states = sorted(keys, key=lambda key: key.at_s), []
    for place, offset in enumerate(read.tolist()):
        at_s, ends_s = (place + 0.5) * gate_s, (place + 1) * gate_s
        while waiting and waiting[0].at_s < ends_s:
            key = waiting.pop(0)
            live.touch(key.at_s)
            states.append((key.at_s, trimming.touch(key.at_s, live.numbers, on=key.on)))
        numbers = live.add(at_s, offset, gate_s=gate_s, resolution=DIGIT)
        states.append((ends_s, trimming.add(at_s, offset, numbers)))
    return trimming.tool.pull, states
