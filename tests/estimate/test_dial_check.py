"""Tests of the numbers of a check at another dial setting."""

import math

import numpy as np
import pytest
from made_checks import FAMILIES, SIGMA, check_made, make_check
from seed_kit import unseen_seed

from benchwatch.estimate.dial_check import (
    CANT_TELL,
    DOES_NOT_FOLLOW,
    FOLLOWS,
    Foretold,
    MainWait,
    MeanThere,
    check_numbers,
    foretell,
    mean_there,
    wait_at_main,
)
from benchwatch.estimate.results import Estimate, Settle

QUIET = Foretold(offset=2e-9, estimate_u=1e-12, moved_u=0.0, dof=8.0)


def foretold(u: float | None, moved_u: float = 0.0) -> Foretold:
    """Return a foretold offset with many degrees of freedom."""
    return Foretold(offset=2e-9, estimate_u=u, moved_u=moved_u, dof=math.inf)


@pytest.mark.parametrize(
    ("u", "moved_u", "tolerance", "waits"),
    [
        (1e-10, 0.0, 4e-9, False),
        (1e-9, 0.0, 4e-9, True),
        (1e-10, 1e-9, 4e-9, True),
        (1e-9, 0.0, None, False),
        (None, 0.0, 4e-9, True),
        (1e-12, math.inf, None, True),
    ],
)
def test_what_to_wait_for_before_dialling(
    u: float | None, moved_u: float, tolerance: float | None, waits: bool
) -> None:
    """No verdict can come once U of what is foretold reaches a quarter of the tolerance."""
    found = wait_at_main(foretold(u, moved_u), tolerance, 10.0)

    assert (found is not None) == waits


def test_time_to_wait_follows_white_noise() -> None:
    """U is 1.96 u = 1.96 ppb, 0.7 ppb is asked: 2.8 times less takes 7.84 times as long."""
    found = wait_at_main(foretold(1e-9), 4e-9, 10.0)

    assert found is not None
    assert found.expanded == pytest.approx(1.96e-9, rel=1e-3)
    assert found.more_s == pytest.approx(10.0 * ((1.96 / 0.7) ** 2 - 1.0), rel=2e-3)


def test_motion_of_the_oscillator_is_not_waited_off() -> None:
    """What it moves by alone is too much: no time is said."""
    found = wait_at_main(foretold(1e-10, 1e-9), 4e-9, 10.0)

    assert found is not None
    assert found.more_s is None


def test_a_unit_that_warms_up_is_waited_for() -> None:
    """However well its offset is known just now."""
    settle = Settle("warming", None, 40.0)
    found = wait_at_main(foretold(1e-12), 4e-9, 10.0, settle)

    assert found == MainWait(warming=True, more_s=40.0)


def there(mean: float, noise_u: float | None, readings: int = 20) -> MeanThere:
    """Return a mean at the setting whose last digit does not matter."""
    return MeanThere(mean=mean, readings=readings, noise_u=noise_u, digit_u=0.0)


@pytest.mark.parametrize(
    ("difference", "verdict"),
    [(0.0, FOLLOWS), (0.7e-9, FOLLOWS), (1.0e-9, CANT_TELL), (-1.0e-9, CANT_TELL),
     (1.3e-9, DOES_NOT_FOLLOW), (-5e-9, DOES_NOT_FOLLOW)],
)  # fmt: skip
def test_verdict_with_a_limit(difference: float, verdict: str) -> None:
    """All of d ± U inside a quarter of the tolerance follows, all of it outside does not."""
    found = check_numbers(QUIET, there(2e-9 + difference, 5e-11), 4e-9)

    assert found.limit == 1e-9
    assert found.verdict == verdict


@pytest.mark.parametrize(
    ("us", "verdict"), [(1.0, FOLLOWS), (-1.9, FOLLOWS), (2.7, CANT_TELL), (4.5, DOES_NOT_FOLLOW)]
)
def test_verdict_without_a_limit(us: float, verdict: str) -> None:
    """Without a tolerance d follows within U; it is called wrong only where it is surely beyond."""
    assert check_numbers(QUIET, there(2e-9 + us * 1e-10, 1e-10), None).verdict == verdict


def test_expanded_uncertainty_is_that_of_the_t_distribution() -> None:
    """With scatter alone U is t95(19) u; t95(19) = 2.09302405 (JCGM 100:2008, G.4.1 of H.1)."""
    exact = Foretold(offset=0.0, estimate_u=0.0, moved_u=0.0, dof=8.0)

    found = check_numbers(exact, there(0.0, 1e-10), None)

    assert found.expanded == pytest.approx(2.09302405e-10, rel=1e-8)
    assert found.dof == 19.0


def test_few_readings_have_no_uncertainty() -> None:
    """With fewer than six readings no u is invented, and the missing ones are named."""
    few = mean_there([1e-9, 2e-9, 1e-9, 2e-9], 0.0)
    found = check_numbers(QUIET, few, 4e-9)

    assert few is not None
    assert few.u is None
    assert (found.verdict, found.u, found.more_readings) == (CANT_TELL, None, 2)


def test_more_readings_tell() -> None:
    """The readings said to be missing would bring U below the distance from the limit."""
    found = check_numbers(QUIET, there(2e-9 + 0.8e-9, 2e-10, readings=10), 4e-9)
    assert found.more_readings is not None
    total = 10 + found.more_readings
    later = there(2.8e-9, 2e-10 * math.sqrt(10 / total), readings=total)

    assert found.verdict == CANT_TELL
    assert check_numbers(QUIET, later, 4e-9).verdict == FOLLOWS


def test_main_frequency_that_is_not_known_well_enough_is_named() -> None:
    """Where the foretold offset is too uncertain, no reading at the setting can tell."""
    vague = Foretold(offset=0.0, estimate_u=1e-9, moved_u=0.0, dof=8.0)
    found = check_numbers(vague, there(0.0, 1e-12), 4e-9)

    assert (found.verdict, found.more_readings, found.needs_main) == (CANT_TELL, None, True)
    assert check_numbers(None, there(0.0, 1e-12), 4e-9).needs_main


def test_equal_readings_keep_the_last_digit() -> None:
    """Readings that are all equal are no better than a digit/√12 (JCGM 100:2008, F.2.2.1)."""
    found = mean_there([5e-9] * 30, 1e-9)

    assert found is not None
    assert found.u == pytest.approx(1e-9 / math.sqrt(12.0))


def test_spike_is_left_out() -> None:
    """A lone wild reading changes neither mean nor count."""
    offsets = [1e-10 * math.sin(7.0 * i) for i in range(30)]
    found, clean = mean_there([*offsets[:15], 1e-6, *offsets[15:]], 0.0), mean_there(offsets, 0.0)

    assert found == clean


def test_foretold_offset_is_moved_by_the_drift() -> None:
    """The foretold offset contains the drift since the estimate, and its u."""
    found = foretell(Estimate(1e-9, 3e-11, 40, 40.0), 2e-10, 4e-11)

    assert found is not None
    assert found.offset == pytest.approx(1.2e-9)
    assert found.u == pytest.approx(5e-11)
    assert foretell(None, 0.0, 0.0) is None


def test_intervals_hold_the_truth() -> None:
    """On 120 made runs of all families at least 91 % of the intervals hold the true difference."""
    rng, held = np.random.default_rng(unseen_seed()), []
    for _ in range(20):
        for family in FAMILIES:
            made = make_check(rng, family, SIGMA * rng.uniform(-5.0, 5.0))
            found = check_made(made, None)[0]
            assert found.difference is not None
            assert found.expanded is not None
            held.append(abs(found.difference - made.difference) <= found.expanded)

    assert np.mean(held) >= 0.91


def test_output_that_still_settles_counts_from_its_rest_on() -> None:
    """A transient after dialling does not shift the mean of the readings at rest."""
    rest = [1e-11 * math.sin(7.0 * i) for i in range(40)]
    moving = [y + 5e-9 * math.exp(-i / 2.0) for i, y in enumerate(rest)]
    found = mean_there(moving, 0.0)

    assert found is not None
    assert abs(found.mean) < 1e-11
    assert 6 <= found.readings <= 20
