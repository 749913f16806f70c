"""Chooses the sound for a snapshot, by side and distance of the offset; pure."""

import math
from dataclasses import dataclass
from typing import Final, Literal

from benchwatch.snapshot import Snapshot
from benchwatch.staleness import is_current

Note = Literal["low", "middle", "high"]

QUICKEST_HZ: Final = 8.0
"""Pulses a second just outside the tolerance; much faster ones merge in the ear."""
SLOWEST_HZ: Final = 1.0
"""Pulses a second from `FARTHEST_TOLERANCES` on: the side stays audible once a second."""
FARTHEST_TOLERANCES: Final = 100.0
"""Distance in tolerances; at ten, the pulse rate is the geometric mean of the two rates."""


@dataclass(frozen=True, slots=True)
class SoundCue:
    """The sound to play now."""

    note: Note
    pulses_hz: float | None
    """Pulses a second; None: the note is held."""
    short: bool = False
    """Ticks instead of pulses: the side is not known yet."""


def cue_for(now: Snapshot, at_s: float) -> SoundCue | None:
    """Return the sound for a snapshot; None: silence, as there is no current offset.

    Args:
        now: the newest snapshot.
        at_s: the present, in seconds of the run.
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
    """Return pulses a second for a distance of `times_out` tolerances, linear in its logarithm.

    The logarithm of the rate falls with the logarithm of the distance; nan: the slowest rate.
    """
    if math.isnan(times_out):
        return SLOWEST_HZ
    part = math.log(min(max(times_out, 1.0), FARTHEST_TOLERANCES)) / math.log(FARTHEST_TOLERANCES)
    return QUICKEST_HZ * math.pow(SLOWEST_HZ / QUICKEST_HZ, part)
