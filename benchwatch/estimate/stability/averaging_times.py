"""The averaging factors that stated averaging times mean, and the gate that leaves dead time."""

from typing import Final

from benchwatch.errors import UsageError
from benchwatch.estimate.stability.deviation_table import (
    decade_factors,
    factor_of,
    octave_factors,
)

CONTIGUOUS_SHARE: Final = 0.99
"""Part of the interval; a longer gate leaves no dead time worth a correction."""
SPACINGS: Final = ("octave", "decade")
"""Words for the averaging factors 1, 2, 4 ... and 1, 10, 100 ..."""
LARGEST_ROUNDING: Final = 0.05
"""Relative difference up to which a stated averaging time is rounded to the nearest multiple."""


def spaced_factors(spacing: str, points: int) -> list[int]:
    """Return averaging factors for `points` phase points; `spacing` is one of `SPACINGS`."""
    return octave_factors(points) if spacing == "octave" else decade_factors(points)


def nearest_factor(tau_s: float, tau0_s: float) -> int:
    """Return the averaging factor that a stated averaging time means.

    Args:
        tau_s: averaging time in seconds.
        tau0_s: time that one reading stands for, in seconds.

    Raises:
        UsageError: it is not near a multiple of `tau0_s`.
    """
    factor = factor_of(tau_s, tau0_s, within=LARGEST_ROUNDING)
    if factor is None:
        below = int(tau_s / tau0_s)
        near = ",".join(f"{m * tau0_s:.4g}s" for m in (below, below + 1) if m)
        raise UsageError(
            f"{tau_s:g} s is no multiple of {tau0_s:g} s, the time that one reading stands for. "
            f"Near it are {near}; or write octave or decade."
        )
    return factor


def gate_with_dead_time(gate_s: float | None, interval_s: float) -> float | None:
    """Return a stated gate if it leaves dead time to correct for; else None.

    Args:
        gate_s: the gate in seconds; None: it is not stated.
        interval_s: time from reading to reading.

    Raises:
        UsageError: the gate is longer than the interval.
    """
    if gate_s is None:
        return None
    if gate_s * CONTIGUOUS_SHARE > interval_s:
        raise UsageError(
            f"{gate_s:g} s is longer than the {interval_s:.6g} s from reading to reading. "
            "Give the gate that the readings were taken with."
        )
    return gate_s if gate_s < CONTIGUOUS_SHARE * interval_s else None
