"""The record of one deviation at one averaging time, with its limits."""

from dataclasses import dataclass
from typing import Final

NOISES: Final = {
    2: "white PM",
    1: "flicker PM",
    0: "white FM",
    -1: "flicker FM",
    -2: "random-walk FM",
    -3: "flicker-walk FM",
    -4: "random-run FM",
}
"""Names of the power-law noises by the exponent of their spectral density (IEEE 1139-2008)."""

ONE_SIGMA: Final = 0.6826894921370859
"""Probability within one standard deviation of a normal variable, erf(1/√2)."""


@dataclass(frozen=True, slots=True)
class Deviation:
    """One deviation at one averaging time."""

    deviation: str
    """Name of its kind."""
    tau_s: float
    value: float
    """Fractional; in seconds for a time deviation."""
    low: float | None
    """Limits of the χ² interval; None for a deviation of 0."""
    high: float | None
    confidence: float
    """Probability that the interval covers the truth."""
    edf: float | None
    """Equivalent degrees of freedom."""
    n: int
    """Differences that were averaged."""
    noise: str | None
    """Name of the noise that the limits assume; None when the data are too few to tell, and
    the limits are then the widest that any noise would give."""
    bias: float | None = None
    """Expected ratio of `value` to the true value, for a total deviation in that noise; else
    None."""
    corrected: float | None = None
    """`value` over `bias`; the limits lie around it."""
