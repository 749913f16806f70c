"""The sentence that is shown with a settle verdict."""

import math
from typing import Final

from benchwatch.estimate.results import OffsetCycle, SettleLimit
from benchwatch.estimate.settle.noise_model import NoiseModel
from benchwatch.quantity import OffsetUnit, format_duration, offset_unit

WOULD_TELL: Final = " more at this noise would tell"
TOO_SOON: Final = "too soon after a turn or a touch to tell"
LARGEST_EXTRAPOLATED: Final = 100.0
"""Largest excess for which the time until the verdict is extrapolated from the noise."""
SMALLEST_GIVEN: Final = 0.1
"""Changes below this fraction of the limit are not given as figures, as these would flicker."""
TOO_COARSE: Final = "the last digit is too coarse for this limit: a longer gate would tell"
ALL_EQUAL: Final = "equal readings, unknown last digit: a longer gate would tell"
NO_TIME_HELPS: Final = (TOO_COARSE, ALL_EQUAL)


def moving(change: float, limit: SettleLimit) -> str:
    """Return the sentence on a forecast change, with the limit in the same unit."""
    asked = offset_unit(limit.limit)
    change, least = abs(change), SMALLEST_GIVEN * limit.limit
    said = (
        _two_digits(change, asked) if change >= least else f"less than {_two_digits(least, asked)}"
    )
    horizon = format_duration(limit.horizon_s)
    return f"expected to move {said} in {horizon}, asked {_two_digits(limit.limit)}"


def cycling(cycle: OffsetCycle, limit: SettleLimit) -> str:
    """Return the sentence on a cycle: swing, period and limit, in one unit."""
    swing = _two_digits(cycle.swing, offset_unit(limit.limit))
    horizon = format_duration(limit.horizon_s)
    every = format_duration(cycle.period_s)
    return f"cycles by {swing} every {every}, asked {_two_digits(limit.limit)} in {horizon}"


def departed(wait_s: float) -> str:
    """Return the sentence after a departure, with the seconds left to wait."""
    wait = format_duration(max(round(wait_s), 1))
    return f"moved by more than asked a while ago: settled if it stays for {wait} more"


def compared(lasted_s: float) -> str:
    """Return the sentence while the readings after a gap are compared with the level before it."""
    return f"no readings for {format_duration(lasted_s)}: comparing with the level before"


def too_few(limit: SettleLimit) -> str:
    """Return the sentence while the readings are too few for a verdict."""
    return (
        f"too few readings yet for {_two_digits(limit.limit)} in {format_duration(limit.horizon_s)}"
    )


def unsure(excess: float, seen_s: float, noise: NoiseModel, interval_s: float) -> str:
    """Return the sentence on what would make the verdict sure: more time, or a longer gate.

    Args:
        excess: change that can't be ruled out over the change allowed; above 1.
        seen_s: time since the first reading.
        noise: of the readings.
        interval_s: from one reading to the next.
    """
    # The uncertainty of a slope falls as T^-1.5 in white FM and as 1/T in flicker FM.
    white = noise.white / max(seen_s / 4.0, interval_s)
    power = 1.0 / 1.5 if white > noise.flicker else 1.0
    more_s = seen_s * (excess**power - 1.0)
    if not math.isfinite(more_s) or excess > LARGEST_EXTRAPOLATED:
        return "too early to tell: the past is too short for this limit"
    about_s = max(round(_rounded_s(more_s)), 1)
    wait = f"about {format_duration(about_s)}{WOULD_TELL}"
    if white > noise.flicker:
        return f"{wait}, or a gate longer than {format_duration(_rounded_s(interval_s))}"
    return wait


def beside_a_time(reason: str) -> str:
    """Return `reason` without its own time, for use beside a time to go."""
    _, told, longer_gate = reason.partition(WOULD_TELL)
    if not told:
        return reason
    gate = longer_gate.removeprefix(", or ")
    return f"{gate} would tell sooner" if gate else "not sure yet at this noise"


def soon_after_a_step(reason: str) -> str:
    """Return the sentence that replaces `reason` within a horizon after a turn or a touch.

    The time until the verdict can't be forecast from readings that are mostly of another level.
    """
    return TOO_SOON if WOULD_TELL in reason else reason


def _rounded_s(seconds: float) -> float:
    """Round to two digits; the time is not known better."""
    return float(f"{seconds:.2g}")


def _two_digits(fraction: float, unit: OffsetUnit | None = None) -> str:
    """Return two digits without a sign, as more would flicker; in `unit` if it fits."""
    unit = offset_unit(fraction, unit)
    value = abs(fraction) / unit.size
    return f"{float(f'{value:.2g}'):.6g} {unit.name}"
