"""From a snapshot to what should be heard: which side, how far; pure."""

import math
from dataclasses import dataclass
from typing import Final, Literal

from benchwatch.estimate.results import Estimate
from benchwatch.estimate.trim import COVERAGE_K, direction
from benchwatch.snapshot import Direction, Snapshot

Note = Literal["low", "middle", "high"]

QUICKEST_HZ: Final = 8.0
"""Pulses a second just outside the tolerance; much quicker ones run together in the ear."""
SLOWEST_HZ: Final = 1.0
"""Pulses a second from `FARTHEST` on: the side is still heard once a second."""
FARTHEST: Final = 100.0
"""In tolerances; at ten the pulses come in the geometric middle of the two rates."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What should sound now."""

    note: Note
    pulses_hz: float | None
    """Pulses a second; None: the note is held."""
    short: bool = False
    """Ticks instead of pulses: it can't be told yet."""


def heard(now: Snapshot) -> Heard | None:
    """Say what a person at the trimmer should hear; None is silence.

    Silence whenever the number would not be current: no readings come, or none has yet.
    """
    estimate = now.numbers.estimate
    if now.link.state != "reading" or estimate is None:
        return None
    match where(now, estimate):
        case "inside":
            return Heard("middle", None)
        case "undecided":
            return Heard("middle", SLOWEST_HZ, short=True)
        case "high":
            return Heard("high", pulse_rate(_times_out(now, estimate)))
        case "low":
            return Heard("low", pulse_rate(_times_out(now, estimate)))


def where(now: Snapshot, estimate: Estimate) -> Direction:
    """Say on which side of the aim the offset lies, as the screen does."""
    if now.trim is not None and now.trim.direction is not None:
        return now.trim.direction
    tolerance = now.numbers.tolerance
    return direction(estimate, None if tolerance is None else tolerance.limit, _aim(now))


def pulse_rate(times_out: float) -> float:
    """Return pulses a second for a distance of `times_out` tolerances, even in its logarithm."""
    if math.isnan(times_out):
        return SLOWEST_HZ
    way = math.log(min(max(times_out, 1.0), FARTHEST)) / math.log(FARTHEST)
    return QUICKEST_HZ * math.pow(SLOWEST_HZ / QUICKEST_HZ, way)


def _times_out(now: Snapshot, estimate: Estimate) -> float:
    """Return the distance to the aim in tolerances, without one in what can be told apart."""
    away = abs(estimate.offset - _aim(now))
    tolerance = now.numbers.tolerance
    reach = COVERAGE_K * (estimate.u or 0.0) if tolerance is None else tolerance.limit
    return away / reach if reach > 0.0 else math.nan


def _aim(now: Snapshot) -> float:
    tool = now.trim.tool if now.trim is not None else None
    return tool.aim if tool is not None and tool.on else 0.0
