"""Amounts in the screen's words; every digit comes from `benchwatch.quantity`.

The only arithmetic is a change of unit, a fraction into hertz, and rounding.
"""

import math

from benchwatch.quantity import (
    OffsetUnit,
    QuantityText,
    format_duration,
    write_fraction,
    write_hz,
)
from benchwatch.snapshot import Snapshot

ROUNDED_TO_S = ((20.0, 1.0), (120.0, 5.0), (600.0, 30.0), (7200.0, 60.0), (86400.0, 600.0))
"""(up to, step): a time to go up to the first is rounded to the second; a longer one to hours."""
FINEST_TURN = 0.05
"""Part of the distance to the aim below which digits are not shown (common practice, no source)."""


def shown_offset(snapshot: Snapshot) -> tuple[float, float | None] | None:
    """Return the estimate (fractional) and its u, else the reading without u; None: neither."""
    estimate, reading = snapshot.numbers.estimate, snapshot.reading
    if estimate is not None:
        return estimate.offset, estimate.u
    if reading is not None and math.isfinite(reading.offset):
        return reading.offset, None
    return None


def way_left(snapshot: Snapshot) -> tuple[float, float | None] | None:
    """Return the signed way left to the aim (fractional) and its u; None while it is unknown."""
    now = snapshot.trim
    if now is None or now.touched or now.left is None:
        return None
    return now.left, now.left_u


def in_hertz(
    fraction: float, u: float | None, nominal_hz: float, decimals: int | None = None
) -> QuantityText:
    """Write a fractional offset of `nominal_hz` in hertz."""
    u_hz = None if u is None else u * nominal_hz
    return write_hz(fraction * nominal_hz, u_hz, decimals=decimals)


def places(text: QuantityText) -> int:
    """Count the digits before the point."""
    return len(text.digits.lstrip("+-").partition(".")[0])


def widened(text: QuantityText, at_least: int) -> QuantityText:
    """Put blanks after the sign until there are `at_least` places before the point."""
    blanks = " " * (at_least - places(text))
    return QuantityText(text.digits[:1] + blanks + text.digits[1:], text.u, text.unit)


def round_figure(fraction: float, unit: OffsetUnit) -> str:
    """Write a round figure, such as the end of a scale, signed and without spare zeros."""
    digits = write_fraction(fraction, None, unit).digits
    trimmed = digits.rstrip("0").rstrip(".") if "." in digits else digits
    return "0" if trimmed.lstrip("+-") == "0" else trimmed


def write_limit(fraction: float, unit: OffsetUnit, plus_minus: str) -> str:
    """Write a two-sided limit, such as ``±5 ppb``."""
    return f"{plus_minus}{round_figure(fraction, unit).lstrip('+')} {unit.name}"


def with_u(text: QuantityText, plus_minus: str) -> str:
    """Write value, uncertainty and unit; an unknown uncertainty is left out."""
    if text.u == "?":
        return f"{text.digits} {text.unit}"
    return f"{text.digits} {plus_minus} {write_u(text)} {text.unit}"


def write_u(text: QuantityText) -> str:
    """Write an uncertainty; if its digits are all zero, as ``under`` one of the last digit."""
    if "." in text.u and not text.u.strip("0."):
        return f"under {text.u[:-1]}1"
    return text.u


def amount(fraction: float, u: float | None, unit: OffsetUnit) -> str:
    """Write the distance to the aim, unsigned, without digits below `u` or `FINEST_TURN`."""
    coarsest = max(u or 0.0, FINEST_TURN * abs(fraction))
    return write_fraction(fraction, coarsest, unit, digits=1).bare.lstrip("+-")


def ago(then_s: float, now_s: float) -> str:
    """Write how long ago something was: tenths for a few seconds, then in plain words."""
    age_s = max(now_s - then_s, 0.0)
    return f"{age_s:.1f} s" if age_s < 10 else format_duration(age_s)


def lasted(span_s: float) -> str:
    """Write how long something lasted; less than a tenth of a second is not written as zero."""
    return f"{span_s:.1g} s" if 0 < span_s < 0.1 else ago(0.0, span_s)


def to_go(left_s: float) -> str:
    """Write how long something will take, rounded by `ROUNDED_TO_S`, at least a second."""
    if not math.isfinite(left_s):
        return format_duration(left_s)
    step_s = next((step_s for up_to_s, step_s in ROUNDED_TO_S if left_s <= up_to_s), 3600.0)
    return format_duration(max(round(left_s / step_s) * step_s, 1.0))


def run_time(elapsed_s: float) -> str:
    """Write the time since the run began as hours, minutes and seconds.

    Times of earlier runs are negative.
    """
    whole = abs(math.floor(elapsed_s))
    sign = "-" if elapsed_s < 0 else ""
    return f"{sign}{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"
