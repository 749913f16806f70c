"""Uncertainty budgets compared with the examples and tables of JCGM 100:2008 (the GUM)."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.errors import UsageError
from benchwatch.estimate.uncertainty.uncertainty_budget import (
    DIVISORS,
    Bounded,
    Budget,
    BudgetRow,
    coverage_factor,
    dof_from_reliability,
    resolution_uncertainty,
    standard_uncertainty,
    whole_dof,
)

SIZES = st.floats(1e-15, 1e3)
DOFS = st.one_of(st.just(math.inf), st.floats(1.0, 1e6))


def end_gauge() -> Budget:
    """GUM H.1, table H.1: an end gauge of 50 mm compared with a standard, in nanometres."""
    standard_nm, theta = 50.000623e6, -0.1
    expansion = standard_uncertainty(1e-6, "rectangular")
    warmth = standard_uncertainty(0.05, "rectangular")
    return Budget(
        (
            BudgetRow(
                name="standard",
                source="certificate, U = 75 nm, k = 3",
                u=25.0,
                distribution="normal",
                dof=18,
                sensitivity=1.0,
                estimate=50000623.0,
            ),
            BudgetRow(
                name="repeated observations",
                source="5 differences",
                u=5.8,
                distribution="type A",
                dof=24,
                sensitivity=1.0,
                estimate=215.0,
            ),
            BudgetRow(
                name="random effects of the comparator",
                source="certificate",
                u=3.9,
                distribution="normal",
                dof=5,
            ),
            BudgetRow(
                name="systematic effects of the comparator",
                source="certificate",
                u=6.7,
                distribution="normal",
                dof=8,
            ),
            BudgetRow(
                name="expansion of the standard",
                source="bounds",
                u=1.2e-6,
                distribution="rectangular",
                sensitivity=0.0,
            ),
            BudgetRow(
                name="temperature of the bed",
                source="bounds",
                u=0.41,
                distribution="arcsine",
                sensitivity=0.0,
            ),
            BudgetRow(
                name="difference in expansion",
                source="bounds, to 10 %",
                u=expansion,
                distribution="rectangular",
                dof=50,
                sensitivity=-standard_nm * theta,
            ),
            BudgetRow(
                name="difference in temperature",
                source="bounds, to 50 %",
                u=warmth,
                distribution="rectangular",
                dof=2,
                sensitivity=-standard_nm * 11.5e-6,
            ),
        )
    )


def test_end_gauge_of_the_gum() -> None:
    """GUM H.1 prints u_c = 32 nm, ν_eff = 16, t99 = 2.92, U99 = 93 nm and l = 50.000838 mm."""
    budget = end_gauge()

    expanded = budget.expanded(0.99)

    assert expanded is not None
    assert f"{budget.estimate * 1e-6:.6f}" == "50.000838"
    assert budget.u == pytest.approx(31.6638791110, rel=1e-10)
    assert f"{budget.u:.0f}" == "32"
    assert budget.dof == pytest.approx(16.75185574, rel=1e-9)
    assert expanded.dof == 16
    assert expanded.k == pytest.approx(2.9207816224, rel=1e-10)
    assert expanded.half_width == pytest.approx(92.4833, abs=5e-5)
    assert round(round(expanded.k, 2) * 32) == 93  # printed from the rounded factors


def test_three_relative_uncertainties_of_the_gum() -> None:
    """GUM G.4.1: 0.25, 0.57, 0.82 % from 10, 5, 15 observations: 1.03 %, ν = 19.0, t95 = 2.09."""
    budget = Budget(
        tuple(
            BudgetRow(name=f"X{n}", source="observations", u=u, distribution="type A", dof=n - 1)
            for u, n in ((0.25, 10), (0.57, 5), (0.82, 15))
        )
    )

    expanded = budget.expanded(0.95)

    assert expanded is not None
    assert budget.u == pytest.approx(1.02946588, abs=5e-9)
    assert budget.dof == pytest.approx(18.99874, abs=5e-6)
    assert expanded.dof == 19
    assert expanded.k == pytest.approx(2.09302405, abs=5e-9)
    assert f"{expanded.k:.2f}" == "2.09"


# GUM table G.2, columns p = 68.27, 90, 95, 95.45, 99, 99.73 %. The rows are from memory, each
# confirmed by the quantile; the column of 95.45 % to six digits is computed.
TABLE_G2 = {
    1: (1.84, 6.31, 12.71, 13.97, 63.66, 235.80),
    2: (1.32, 2.92, 4.30, 4.53, 9.92, 19.21),
    3: (1.20, 2.35, 3.18, 3.31, 5.84, 9.22),
    5: (1.11, 2.02, 2.57, 2.65, 4.03, 5.51),
    8: (1.07, 1.86, 2.31, 2.37, 3.36, 4.28),
    10: (1.05, 1.81, 2.23, 2.28, 3.17, 3.96),
    16: (1.03, 1.75, 2.12, 2.17, 2.92, 3.54),
    20: (1.03, 1.72, 2.09, 2.13, 2.85, 3.42),
    50: (1.01, 1.68, 2.01, 2.05, 2.68, 3.16),
    100: (1.005, 1.660, 1.984, 2.025, 2.626, 3.077),
    math.inf: (1.000, 1.645, 1.960, 2.000, 2.576, 3.000),
}


@pytest.mark.parametrize("dof", TABLE_G2)
def test_coverage_factors_of_table_g2(dof: float) -> None:
    """Every coverage factor rounds to what GUM table G.2 prints."""
    coverages = (0.682689492137086, 0.90, 0.95, 0.954499736103642, 0.99, 0.997300203936740)

    factors = [coverage_factor(dof, coverage) for coverage in coverages]

    decimals = 3 if dof >= 100 else 2
    assert [f"{k:.{decimals}f}" for k in factors] == [f"{k:.{decimals}f}" for k in TABLE_G2[dof]]


@pytest.mark.parametrize(("dof", "k"), [(5, 2.648654), (10, 2.283682), (16, 2.168943)])
def test_coverage_factors_at_95_45(dof: int, k: float) -> None:
    """The column of 95.45 % to six decimals (computed from the t distribution)."""
    assert coverage_factor(dof, 0.9545) == pytest.approx(k, abs=1.5e-6)


@pytest.mark.parametrize(("relative", "dof"), [(0.10, 50), (0.25, 8), (0.50, 2)])
def test_degrees_of_freedom_from_reliability(relative: float, dof: float) -> None:
    """GUM G.4.2, equation G.3: u known to 10, 25, 50 % of itself."""
    assert dof_from_reliability(relative) == pytest.approx(dof)


@pytest.mark.parametrize(
    ("distribution", "square"), [("rectangular", 3), ("triangular", 6), ("arcsine", 2)]
)
def test_divisors(distribution: Bounded, square: int) -> None:
    """GUM 4.3.7, 4.3.9 and H.1.3.4: a²/3, a²/6, a²/2."""
    assert standard_uncertainty(2.0, distribution) ** 2 == pytest.approx(4.0 / square)
    assert set(DIVISORS) == {"rectangular", "triangular", "arcsine"}


def test_resolution() -> None:
    """GUM F.2.2.1: a digital indication adds 0.29 of its step."""
    assert resolution_uncertainty(1.0) == pytest.approx(0.288675134594813, rel=1e-14)


@pytest.mark.parametrize(
    ("dof", "whole"), [(16.75, 16), (18.99874, 19), (3.94, 3), (0.9, 0), (math.inf, math.inf)]
)
def test_degrees_of_freedom_are_cut(dof: float, whole: float) -> None:
    """Cut after rounding to the one decimal the GUM prints (H.1: 16.7 to 16, G.4.1: 19.0)."""
    assert whole_dof(dof) == whole


def test_correlated_line_of_the_gum() -> None:
    """GUM H.3: b(30 °C) from an intercept and a slope that are correlated, u = 0.0041.

    Regressed on t about its own middle, intercept and slope are uncorrelated (GUM H.3.5), so a
    budget of two lines says the same. Table H.6 is from memory, confirmed by its printed
    results -0.1712(29), 0.00218(67).
    """
    warmth = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010,
              26.511]  # fmt: skip
    correction = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161,
                  -0.160]  # fmt: skip
    n, middle = 11, math.fsum(warmth) / 11
    sxx = math.fsum((t - middle) ** 2 for t in warmth)
    slope = math.fsum((t - middle) * b for t, b in zip(warmth, correction, strict=True)) / sxx
    mean = math.fsum(correction) / n
    s = math.sqrt(
        math.fsum(
            (b - mean - slope * (t - middle)) ** 2 for t, b in zip(warmth, correction, strict=True)
        )
        / (n - 2)
    )

    def at(temperature: float) -> Budget:
        return Budget(
            (
                BudgetRow(
                    name="mean",
                    source="fit",
                    u=s / math.sqrt(n),
                    distribution="type A",
                    dof=n - 2,
                    sensitivity=1.0,
                    estimate=mean,
                ),
                BudgetRow(
                    name="slope",
                    source="fit",
                    u=s / math.sqrt(sxx),
                    distribution="type A",
                    dof=n - 2,
                    sensitivity=temperature - middle,
                    estimate=slope,
                ),
            )
        )

    at_20, at_30 = at(20.0), at(30.0)
    correlation = (20.0 - middle) / math.sqrt(sxx / n + (20.0 - middle) ** 2)

    assert f"{at_20.estimate:.4f} {at_20.u:.4f}" == "-0.1712 0.0029"
    assert f"{slope:.5f} {s / math.sqrt(sxx):.5f}" == "0.00218 0.00067"
    assert f"{correlation:.3f}" == "-0.930"
    assert f"{at_30.estimate:.4f} {at_30.u:.4f}" == "-0.1494 0.0041"


def test_nothing_uncertain() -> None:
    """A budget of exact lines has no uncertainty, and an interval of no width."""
    budget = Budget(
        (
            BudgetRow(
                name="exact",
                source="by definition",
                u=0.0,
                distribution="normal",
                dof=3,
                sensitivity=2.0,
                estimate=5.0,
            ),
        )
    )

    expanded = budget.expanded()

    assert (budget.estimate, budget.u, budget.dof) == (10.0, 0.0, math.inf)
    assert expanded is not None
    assert expanded.half_width == 0.0


def test_too_little_known_to_expand() -> None:
    """With less than one degree of freedom there is no factor."""
    assert (
        Budget(
            (BudgetRow(name="guess", source="a feeling", u=1.0, distribution="type A", dof=0.5),)
        ).expanded()
        is None
    )


def test_no_lines() -> None:
    """An empty budget adds up to zero."""
    assert (Budget(()).estimate, Budget(()).u) == (0.0, 0.0)


@pytest.mark.parametrize("u", [-1.0, math.nan, math.inf])
def test_impossible_uncertainty(u: float) -> None:
    """A negative, missing or infinite uncertainty is refused by name."""
    with pytest.raises(UsageError, match="'reference'"):
        BudgetRow(name="reference", source="somewhere", u=u, distribution="normal")


@pytest.mark.parametrize("coverage", [0.0, 1.0, 95.0, -0.5, math.nan])
def test_impossible_coverage(coverage: float) -> None:
    """A coverage such as 95 instead of 0.95 gives a sentence."""
    with pytest.raises(UsageError, match="between 0 and 1"):
        coverage_factor(10, coverage)


@pytest.mark.parametrize("dof", [0.0, -3.0, math.nan])
def test_impossible_degrees_of_freedom(dof: float) -> None:
    """Degrees of freedom are above zero."""
    with pytest.raises(UsageError, match="degrees of freedom"):
        BudgetRow(name="noise", source="readings", u=1.0, distribution="type A", dof=dof)


@given(
    inputs=st.lists(st.tuples(SIZES, DOFS, st.floats(-10, 10)), min_size=1, max_size=6),
    scale=st.floats(1e-6, 1e6),
)
def test_scale_and_sign(inputs: list[tuple[float, float, float]], scale: float) -> None:
    """With other units or signs u scales and the degrees of freedom stay."""

    def built(factor: float) -> Budget:
        return Budget(
            tuple(
                BudgetRow(
                    name="x",
                    source="made",
                    u=u,
                    distribution="normal",
                    dof=dof,
                    sensitivity=c * factor,
                )
                for u, dof, c in inputs
            )
        )

    plain, scaled = built(1.0), built(-scale)

    assert scaled.u == pytest.approx(plain.u * scale, rel=1e-9)
    if plain.u > 0:
        assert scaled.dof == pytest.approx(plain.dof, rel=1e-6)


@given(inputs=st.lists(st.tuples(SIZES, st.floats(1.0, 1e6)), min_size=1, max_size=6))
def test_effective_degrees_of_freedom_are_bounded(inputs: list[tuple[float, float]]) -> None:
    """GUM G.4.1, note: min(ν) ≤ ν_eff ≤ Σν; and u is never below its largest line."""
    budget = Budget(
        tuple(
            BudgetRow(name="x", source="made", u=u, distribution="type A", dof=dof)
            for u, dof in inputs
        )
    )

    assert budget.dof >= min(dof for _, dof in inputs) * (1 - 1e-9)
    assert budget.dof <= math.fsum(dof for _, dof in inputs) * (1 + 1e-9)
    assert budget.u >= max(u for u, _ in inputs) * (1 - 1e-12)
