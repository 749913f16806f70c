"""Frequency stability: the Allan family with confidence limits, over a whole run and live.

In: fractional offsets or phase as a `Phase` (`phase_of_offsets`, `phase_of_phase`), or offsets one
by one. Out: `Deviation` rows by `stability_table` and `LiveDeviations`; a value by `variance`.
Formulas: NIST SP 1065 (Riley 2008). `deviation_kinds` declares the deviations.
"""

from benchwatch.estimate.stability.averaging_times import (
    CONTIGUOUS_SHARE,
    SPACINGS,
    gate_with_dead_time,
    nearest_factor,
    spaced_factors,
)
from benchwatch.estimate.stability.confidence import Terms, chi2_limits, degrees_of_freedom
from benchwatch.estimate.stability.dead_time import variance_ratio
from benchwatch.estimate.stability.deviation_kinds import (
    DEVIATION_KINDS,
    DEVIATIONS,
    LIVE_KINDS,
    NAMES,
    DeviationKind,
)
from benchwatch.estimate.stability.deviation_point import NOISES, ONE_SIGMA, Deviation
from benchwatch.estimate.stability.deviation_table import (
    decade_factors,
    factor_of,
    octave_factors,
    stability_table,
)
from benchwatch.estimate.stability.deviations import WindowSums, variance
from benchwatch.estimate.stability.live_deviations import LiveDeviations
from benchwatch.estimate.stability.noise_id import lag1_alpha, ratio_alpha
from benchwatch.estimate.stability.phase_data import Phase, phase_of_offsets, phase_of_phase

__all__ = [
    "CONTIGUOUS_SHARE", "DEVIATIONS", "DEVIATION_KINDS", "LIVE_KINDS", "NAMES", "NOISES",
    "ONE_SIGMA", "SPACINGS", "Deviation", "DeviationKind", "LiveDeviations", "Phase", "Terms",
    "WindowSums", "chi2_limits", "decade_factors", "degrees_of_freedom", "factor_of",
    "gate_with_dead_time", "lag1_alpha", "nearest_factor", "octave_factors", "phase_of_offsets",
    "phase_of_phase", "ratio_alpha", "spaced_factors", "stability_table", "variance",
    "variance_ratio",
]  # fmt: skip
