"""What a stability number is: one deviation at one averaging time, with its limits."""

from dataclasses import dataclass
from typing import Final, Literal

Name = Literal["adev", "oadev", "mdev", "tdev", "hdev", "ohdev", "totdev"]
"""Names as in the handbook (NIST SP 1065), in lower case; a leading o is for overlapping."""

NAMES: Final[tuple[Name, ...]] = ("adev", "oadev", "mdev", "tdev", "hdev", "ohdev", "totdev")

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

    deviation: Name
    tau_s: float
    value: float
    """Fractional; in seconds for ``tdev``."""
    low: float | None
    """Limits of the χ² interval; None when nothing can be said (a deviation of 0)."""
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
    """What `value` is expected to be over the truth, for ``totdev`` under that noise; else None."""
    corrected: float | None = None
    """`value` without that bias, which the limits are about."""


def order(name: Name) -> int:
    """Return how often `name` differences the phase: 3 for the Hadamard kind, else 2."""
    return 3 if name in {"hdev", "ohdev"} else 2


def averages_phase(name: Name) -> bool:
    """Tell whether `name` averages the phase before differencing it (the modified kind)."""
    return name in {"mdev", "tdev"}


def lowest_alpha(name: Name) -> int:
    """Return the exponent of the reddest noise for which `name` converges (NIST SP 1065)."""
    return -4 if order(name) == 3 else -2
