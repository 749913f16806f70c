"""A reading that ends earlier than those before it: how many digits it lacks, and when to ask."""

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.acquire.typed_decimals import FEWEST_MISSING, digits_missing, usual_decimals

DECIMALS = st.integers(-6, 9)
NEWEST = st.lists(DECIMALS, min_size=1, max_size=5)


@pytest.mark.parametrize(
    ("decimals", "newest", "missing"),
    [
        (0, [], 0),  # nothing is known before the first reading
        (0, [2], 2),
        (0, [2, 2, 2, 2, 2], 2),
        (1, [3, 3, 3], 2),
        (1, [2, 2, 2], 0),  # a last zero that was not typed
        (4, [2, 2, 2], 0),
        (0, [2, 2, 0, 0, 0], 0),
        (0, [0, 2], 2),
        (-6, [0, 0], 6),  # 10 MHz
    ],
)
def test_a_number_with_two_decimals_fewer_than_usual_may_be_cut(
    decimals: int, newest: list[int], missing: int
) -> None:
    """The usual number is the most common one; of two equally common ones the larger."""
    assert digits_missing(decimals, newest) == missing


@given(newest=NEWEST, order=st.randoms(use_true_random=False))
def test_the_usual_number_is_one_of_the_newest_in_whatever_order(
    newest: list[int], order: Random
) -> None:
    """And no other is more common."""
    shuffled = list(newest)
    order.shuffle(shuffled)

    usual = usual_decimals(newest)

    assert usual_decimals(shuffled) == usual
    assert all(newest.count(one) <= newest.count(usual) for one in newest)


@given(decimals=DECIMALS, newest=NEWEST, by=st.integers(-5, 5))
def test_what_is_missing_depends_on_differences_only(
    decimals: int, newest: list[int], by: int
) -> None:
    """Hertz or kilohertz: the same digits lack as many."""
    shifted = digits_missing(decimals + by, [one + by for one in newest])

    assert shifted == digits_missing(decimals, newest)


@given(decimals=DECIMALS, newest=NEWEST)
def test_nothing_is_missing_of_a_number_as_fine_as_usual(decimals: int, newest: list[int]) -> None:
    """Nor of one digit less; of others what is missing makes them as fine as usual."""
    usual = usual_decimals(newest)

    missing = digits_missing(decimals, newest)

    assert (missing == 0) == (decimals > usual - FEWEST_MISSING)
    assert missing == 0 or decimals + missing == usual
