"""The sound for a snapshot: side and distance of the offset; pure."""

import math
from dataclasses import dataclass
from typing import Final, Literal

from benchwatch.snapshot import Snapshot
from benchwatch.staleness import is_current

Note = Literal["low", "middle", "high"]

QUICKEST_HZ: Final = 8.0
"""Pulses a second just outside the tolerance; much quicker ones run together in the ear."""
SLOWEST_HZ: Final = 1.0
"""Pulses a second from `FARTHEST` on: the side is still audible once a second."""
FARTHEST: Final = 100.0
"""In tolerances; at ten the pulses come in the geometric middle of the two rates."""


@dataclass(frozen=True, slots=True)
class SoundCue:
    """What should sound now."""

    note: Note
    pulses_hz: float | None
    """Pulses a second; None: the note is held."""
    short: bool = False
    """Ticks instead of pulses: the side is unknown yet."""


def cue_for(now: Snapshot, at_s: float) -> SoundCue | None:
    """Return the sound for a person at the trimmer at `at_s`, seconds of the run.

    None is silence: the offset is not current, or there is none yet.
    """
    if now.numbers.estimate is None or not is_current(now, at_s):
        return None
    match now.side:
        case "inside":
            return SoundCue("middle", None)
        case "undecided":
            return SoundCue("middle", SLOWEST_HZ, short=True)
        case "high":
            return SoundCue("high", pulse_rate(now.tolerances_from_aim))
        case "low":
            return SoundCue("low", pulse_rate(now.tolerances_from_aim))


def pulse_rate(times_out: float) -> float:
    """Return pulses a second for a distance of `times_out` tolerances, even in its logarithm."""
    if math.isnan(times_out):
        return SLOWEST_HZ
    way = math.log(min(max(times_out, 1.0), FARTHEST)) / math.log(FARTHEST)
    return QUICKEST_HZ * math.pow(SLOWEST_HZ / QUICKEST_HZ, way)
