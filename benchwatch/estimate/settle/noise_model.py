"""White and flicker FM of the readings, separated by their live Hadamard variances.

The fit has two weighted terms that may not be negative, so it is none of `estimate.regression`.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

FEWEST_DIFFERENCES: Final = 6
"""Fewest differences in a variance that is used."""

VARIANCE_SCATTER: Final = 35.0 / 9.0
"""Relative variance of a Hadamard variance times its number of differences, for white FM: the
second differences have the autocorrelation -2/3, 1/6, so 2·(1 + 2·(4/9 + 1/36))."""


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """Variance of a mean over τ: `white`/τ + `flicker`; for both the Allan variance.

    White FM h0/(2τ) and flicker FM 2 ln2·h₋₁ (IEEE 1139-2008), so `white` is in seconds.
    """

    white: float
    flicker: float

    def variance(self, tau_s: float) -> float:
        """Return the two-sample variance of means over `tau_s` seconds."""
        return self.white / tau_s + self.flicker


def fit_noise(points: Iterable[tuple[float, float, int]]) -> NoiseModel | None:
    """Fit a/τ + b to Hadamard variances by least squares of the relative errors; a, b ≥ 0.

    Args:
        points: (τ in seconds, variance, number of differences) of each level.

    Returns:
        None when no level has enough differences.
    """
    s_aa = s_ab = s_bb = s_ay = s_by = 0.0
    used = 0
    for tau, value, count in points:
        if count < FEWEST_DIFFERENCES:
            continue
        used += 1
        if value <= 0.0:
            continue
        # The relative error of a variance from n differences falls as 1/√n.
        weight = count / value**2
        s_aa += weight / tau**2
        s_ab += weight / tau
        s_bb += weight
        s_ay += weight * value / tau
        s_by += weight * value
    if not used:
        return None
    if s_bb == 0.0:
        return NoiseModel(0.0, 0.0)
    determinant = s_aa * s_bb - s_ab * s_ab
    if determinant > 1e-9 * s_aa * s_bb:
        white = (s_ay * s_bb - s_by * s_ab) / determinant
        flicker = (s_by * s_aa - s_ay * s_ab) / determinant
        if white < 0.0:
            return NoiseModel(0.0, s_by / s_bb)
        variance = VARIANCE_SCATTER * s_aa / determinant
        if flicker > 0.0 and flicker**2 > variance:
            # Subtract the flicker that scatter alone gives, so that white noise stays white.
            flicker -= variance / flicker
            return NoiseModel((s_ay - flicker * s_ab) / s_aa, flicker)
    return NoiseModel(s_ay / s_aa, 0.0)
