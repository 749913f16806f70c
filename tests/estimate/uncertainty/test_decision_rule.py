"""Decision rules and conformance probabilities, against JCGM 106:2012 and a reference library."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from benchwatch.errors import UsageError
from benchwatch.estimate.uncertainty.decision_rule import conformance_probability, conformity
from benchwatch.estimate.uncertainty.limit_side import limit_side

LIMIT = 5e-9
OFFSETS = st.floats(-2e-8, 2e-8)
REACHES = st.one_of(st.none(), st.floats(0.0, 1e-8))


@pytest.mark.parametrize(
    ("offset", "simple", "guarded", "three"),
    [
        (3.9e-9, "inside", "inside", "inside"),
        (-4.0e-9, "inside", "inside", "inside"),
        (4.1e-9, "inside", "not shown to be inside", "not stated"),
        (-5.0e-9, "inside", "not shown to be inside", "not stated"),
        (5.1e-9, "outside", "not shown to be inside", "not stated"),
        (-6.1e-9, "outside", "not shown to be inside", "outside"),
    ],
)
def test_each_rule_at_the_limits(offset: float, simple: str, guarded: str, three: str) -> None:
    """Tolerance ±5 ppb, U = 1 ppb: acceptance limits at ±5 (8.2), ±4 (8.3.2, guard band U), ±6."""
    found = [
        conformity(rule, offset, 1e-9, LIMIT) for rule in ("simple", "guarded", "three-answers")
    ]

    assert found == [simple, guarded, three]


def test_without_an_uncertainty_only_the_simple_rule_decides() -> None:
    """An unknown U gives no statement, and shows nothing to be inside."""
    found = [conformity(rule, 0.0, None, LIMIT) for rule in ("simple", "guarded", "three-answers")]

    assert found == ["inside", "not shown to be inside", "not stated"]


@given(OFFSETS, REACHES)
def test_three_answers_are_those_of_the_screen(offset: float, reach: float | None) -> None:
    """The screen's side of the limit and the report's answer are the same, whatever the offset."""
    side = limit_side(offset, reach, LIMIT)

    answer = conformity("three-answers", offset, reach, LIMIT)

    assert answer == {"undecided": "not stated"}.get(side, side)


@given(OFFSETS, REACHES)
def test_the_rules_contradict_no_other(offset: float, reach: float | None) -> None:
    """Guarded says inside exactly where three answers do; then the simple rule says it too."""
    simple, guarded, three = (
        conformity(rule, offset, reach, LIMIT) for rule in ("simple", "guarded", "three-answers")
    )

    assert (guarded == "inside") == (three == "inside")
    assert guarded != "inside" or simple == "inside"
    assert three != "outside" or simple == "outside"


def test_the_example_of_a_breakdown_voltage() -> None:
    """JCGM 106:2012, 7.3, example [mem]: -5.47 V, u 0.05 V, limit -5.40 V: Φ(1.40) = 0.92."""
    probability = conformance_probability(-5.47, 0.05, high=-5.40)

    assert round(probability, 2) == 0.92
    assert probability == pytest.approx(stats.norm.cdf(1.40), rel=1e-12)


@pytest.mark.parametrize(
    ("probability", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)]
)
def test_the_table_of_one_sided_tolerances(probability: float, z: float) -> None:
    """JCGM 106:2012, table 1 [mem]: probabilities by z = (limit - value)/u, to its two decimals."""
    low, high = (conformance_probability(0.0, 1.0, high=z + step) for step in (-0.005, 0.005))

    assert low <= probability <= high


def test_the_example_of_a_speed_limit() -> None:
    """JCGM 106:2012, 8.3.3.2, example [mem]: 100 km/h, u = 2 %, 99.9 % sure: from 107 km/h on."""
    beyond = [1.0 - conformance_probability(v, 0.02 * v, high=100.0) for v in (106.0, 107.0)]

    assert beyond[0] < 0.999 <= beyond[1]


@given(st.floats(-5, 5), st.floats(0.01, 5), st.floats(-6, 6), st.floats(0, 6))
def test_a_two_sided_tolerance(value: float, u: float, low: float, width: float) -> None:
    """JCGM 106:2012, 7.4: Φ((T_U - y)/u) - Φ((T_L - y)/u), against scipy's normal distribution."""
    probability = conformance_probability(value, u, low=low, high=low + width)

    reference = stats.norm(value, u)
    assert probability == pytest.approx(reference.cdf(low + width) - reference.cdf(low), abs=1e-12)


@pytest.mark.parametrize("u", [0.0, -1.0, math.nan, math.inf])
def test_no_probability_without_an_uncertainty(u: float) -> None:
    """An uncertainty that is none is refused with a sentence."""
    with pytest.raises(UsageError, match=r"no probability to state\.$"):
        conformance_probability(0.0, u, high=1.0)


def test_limits_in_the_wrong_order() -> None:
    """A tolerance whose lower limit is above the upper one is refused."""
    with pytest.raises(UsageError, match=r"wrong order\.$"):
        conformance_probability(0.0, 1.0, low=1.0, high=-1.0)
