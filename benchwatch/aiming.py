"""Where the offset lies seen from where it should be, and how far: one rule for eye and ear."""

import math

from benchwatch.estimate.trim import COVERAGE_K, at_rest, direction
from benchwatch.snapshot import Direction, Snapshot


def aim(now: Snapshot) -> float:
    """Return the fraction the offset should have: zero, or the pull of a tool that is on."""
    tool = now.trim.tool if now.trim is not None else None
    return tool.aim if tool is not None else 0.0


def side(now: Snapshot) -> Direction:
    """Say on which side of the aim the offset lies; `undecided` also while there is none."""
    estimate, tolerance = at_rest(now.numbers), now.numbers.tolerance
    if now.trim is not None and now.trim.direction is not None:
        return now.trim.direction
    if estimate is None:
        return "undecided"
    return direction(estimate, None if tolerance is None else tolerance.limit, aim(now))


def times_out(now: Snapshot) -> float:
    """Return the distance to the aim in tolerances; without one, in what can be told apart.

    nan while it is not known.
    """
    estimate, tolerance = at_rest(now.numbers), now.numbers.tolerance
    if estimate is None:
        return math.nan
    reach = COVERAGE_K * (estimate.u or 0.0) if tolerance is None else tolerance.limit
    return abs(estimate.offset - aim(now)) / reach if reach > 0.0 else math.nan
