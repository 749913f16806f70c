"""Uncertainty budgets of the GUM (JCGM 100:2008).

A budget is a table with a row for each input that is not exactly known: its standard uncertainty
and distribution, how well that uncertainty is itself known (degrees of freedom), and how strongly
the input acts on the result (sensitivity). The inputs are taken as uncorrelated; they combine as
the root of the sum of squares (GUM 5.1.2), their degrees of freedom by Welch and Satterthwaite
(GUM G.4.1), and the coverage factor k is a quantile of the t distribution (GUM G.3).
"""

import math
from dataclasses import dataclass
from typing import Final, Literal

from benchwatch.errors import UsageError

Distribution = Literal["type A", "normal", "rectangular", "triangular", "arcsine"]
"""``type A``: from a spread of readings; the others are degrees of belief (type B)."""

Bounded = Literal["rectangular", "triangular", "arcsine"]

DIVISORS: Final[dict[Bounded, float]] = {
    "rectangular": math.sqrt(3.0),
    "triangular": math.sqrt(6.0),
    "arcsine": math.sqrt(2.0),
}
"""Half-width divided by this is the standard uncertainty (GUM 4.3.7, 4.3.9, H.1.3.4)."""

DEFAULT_COVERAGE: Final = 0.95
"""Coverage of intervals other than the U of a record: comparisons, dial checks, forecasts."""
USUAL_COVERAGE: Final = 0.9545
"""Coverage of the U of a record wherever it is stated: in all forms of the report, on the screen,
by the commands. k is 2 with unlimited degrees of freedom (GUM, G.6.6 and the column of 95.45 % in
table G.2)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetRow:
    """One input, in its own unit; `sensitivity` converts it into the unit of the result."""

    name: str
    source: str
    """Where the number comes from, in words."""
    u: float
    """Standard uncertainty of the input (k = 1)."""
    distribution: Distribution
    dof: float = math.inf
    """Degrees of freedom of `u`; inf when `u` is taken as exactly known."""
    sensitivity: float = 1.0
    estimate: float = 0.0
    """Best value of the input; `sensitivity` times it is added to the result."""

    def __post_init__(self) -> None:
        """Raise UsageError for numbers that can't be an uncertainty."""
        if not 0 <= self.u < math.inf:
            raise UsageError(
                f"the uncertainty of '{self.name}' is {self.u:g}; "
                "it must be a number of zero or more."
            )
        if not self.dof > 0:
            raise UsageError(
                f"'{self.name}' has {self.dof:g} degrees of freedom; more than zero are needed."
            )
        if not (math.isfinite(self.sensitivity) and math.isfinite(self.estimate)):
            raise UsageError(f"'{self.name}' has no finite estimate and sensitivity.")

    @property
    def contribution(self) -> float:
        """Standard uncertainty of the result by this input."""
        return abs(self.sensitivity) * self.u


@dataclass(frozen=True, slots=True, kw_only=True)
class Expanded:
    """An interval: result ± `half_width` holds the truth with the stated coverage."""

    coverage: float
    k: float
    dof: float
    """Whole number of degrees of freedom behind `k`, or inf."""
    half_width: float
    """Conventionally written U."""


@dataclass(frozen=True, slots=True)
class Budget:
    """Rows that combine into one uncertainty; all contributions are in one unit."""

    lines: tuple[BudgetRow, ...]
    missing: tuple[str, ...] = ()
    """Inputs that belong in the budget and are unknown; with any of them `u` is a lower limit."""

    @property
    def estimate(self) -> float:
        """The result: the sum of sensitivity times estimate over all rows."""
        return math.fsum(line.sensitivity * line.estimate for line in self.lines)

    @property
    def u(self) -> float:
        """Combined standard uncertainty, sqrt(Σ (c·u)²) (GUM equation 10)."""
        return math.hypot(*(line.contribution for line in self.lines))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom, u⁴ / Σ((c·u)⁴/ν) (GUM equation G.2b); inf when exact."""
        u = self.u
        if u == 0:
            return math.inf
        spread = math.fsum((line.contribution / u) ** 4 / line.dof for line in self.lines)
        return 1.0 / spread if spread > 0 else math.inf

    def expanded(self, coverage: float = USUAL_COVERAGE) -> Expanded | None:
        """Expand to `coverage`; None with less than one degree of freedom.

        Raises:
            UsageError: `coverage` does not lie between 0 and 1.
        """
        dof = whole_dof(self.dof)
        if dof < 1:
            return None
        k = coverage_factor(dof, coverage)
        return Expanded(coverage=coverage, k=k, dof=dof, half_width=k * self.u)


def coverage_factor(dof: float, coverage: float) -> float:
    """Return k, the two-sided t quantile for `dof` degrees of freedom (GUM G.3, table G.2).

    Raises:
        UsageError: `coverage` does not lie between 0 and 1.
    """
    if not 0 < coverage < 1:
        raise UsageError(
            f"a coverage of {coverage:g} can't be reached; "
            "it lies between 0 and 1, such as 0.95 for 95 %."
        )
    upper = (1.0 + coverage) / 2.0
    from scipy.special import ndtri, stdtrit  # noqa: PLC0415 - slow; the first reading comes first

    return float(stdtrit(dof, upper)) if math.isfinite(dof) else float(ndtri(upper))


def whole_dof(dof: float) -> float:
    """Round degrees of freedom down (GUM G.4.1).

    The GUM states them with one decimal (16.7 in H.1, 19.0 in the example of G.4.1) and cuts
    that; cutting the unrounded 18.9987 of the same example would turn its 19 into 18.
    """
    return float(math.floor(round(dof, 1))) if math.isfinite(dof) else math.inf


def dof_from_reliability(relative: float) -> float:
    """Return the degrees of freedom of a u known to ±`relative` of itself (GUM G.4.2, G.3).

    0.10 gives 50, 0.25 gives 8, 0.50 gives 2.

    Raises:
        UsageError: `relative` is not above zero.
    """
    if not relative > 0:
        raise UsageError(f"a reliability of {relative:g} is none; write 0.25 for 'to 25 %'.")
    return 0.5 / (relative * relative)


def standard_uncertainty(half_width: float, distribution: Bounded) -> float:
    """Turn the half-width of a bounded distribution into a standard uncertainty."""
    return abs(half_width) / DIVISORS[distribution]


def resolution_uncertainty(step: float) -> float:
    """Return the standard uncertainty of a reading rounded to `step`: step/√12 (GUM F.2.2.1)."""
    return standard_uncertainty(step / 2.0, "rectangular")
