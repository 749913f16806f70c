"""A landing before the whole hold, which is never given too soon.

The truth is made: an exponential, the project's own figures.
"""

import math

import numpy as np
import pytest
from made_technician import Bench, Coached, trim
from seed_kit import unseen_seed

from benchwatch.estimate.results import Estimate, Numbers
from benchwatch.estimate.trim.landing import DEFAULT_HOLD_S, Landing

PPB = 1e-9
NOISE = 0.05 * PPB
SPACING_S = 0.25


def landed_after(
    rng: np.random.Generator, rest: float, left: float, tau_s: float, noise: float = NOISE
) -> float:
    """Return when an offset that creeps by `left` to `rest` has landed; inf: never.

    The tolerance is 1 ppb; the estimate is as good as a second of readings allows.
    """
    landing = Landing(1 * PPB)
    for count in range(400):
        at_s = SPACING_S * count
        truth = rest - left * math.exp(-at_s / tau_s)
        now = Numbers(Estimate(truth, noise / 2.0, 4, 1.0), noise=noise)
        reading = truth + noise * float(rng.standard_normal())
        if landing.add(at_s, now, offset=reading).state == "landed":
            return at_s
    return math.inf


def test_a_quiet_offset_well_inside_lands_after_a_third_of_the_hold() -> None:
    """Without motion, the readings are good enough to show that."""
    rng = np.random.default_rng(unseen_seed())
    took_s = [landed_after(rng, 0.2 * PPB, 0.0, 4.0) for _ in range(20)]

    assert min(took_s) >= 10.0
    assert np.median(took_s) <= 14.0


def test_noise_that_hides_a_creep_takes_the_whole_hold() -> None:
    """With a scatter of half the tolerance a shorter hold would not be sure."""
    rng = np.random.default_rng(unseen_seed())

    assert landed_after(rng, 0.2 * PPB, 0.0, 4.0, noise=0.5 * PPB) >= DEFAULT_HOLD_S


@pytest.mark.parametrize("tau_s", [4.0, 10.0, 20.0, 40.0, 60.0])
@pytest.mark.parametrize("way", [-1.0, 1.0])
def test_what_still_creeps_out_is_not_landed(tau_s: float, way: float) -> None:
    """It is well inside now and will rest at 1.2 tolerances: not landed before it is outside."""
    for _ in range(20):
        rng = np.random.default_rng(unseen_seed())
        took_s = landed_after(rng, 1.2 * way * PPB, 1.4 * way * PPB, tau_s)
        truth = 1.2 - 1.4 * math.exp(-took_s / tau_s)

        assert math.isinf(took_s) or truth > 1.0


def test_readings_while_the_hand_comes_to_rest_do_not_count() -> None:
    """They are given as nan: ten seconds begin after them."""
    landing, rng = Landing(1 * PPB), np.random.default_rng(unseen_seed())
    took_s = math.inf
    for count in range(200):
        at_s = SPACING_S * count
        now = Numbers(Estimate(0.1 * PPB, 0.02 * PPB, 4, 1.0), noise=NOISE)
        reading = math.nan if at_s < 5.0 else NOISE * float(rng.standard_normal())
        if landing.add(at_s, now, offset=reading).state == "landed":
            took_s = at_s
            break

    assert 15.0 <= took_s < 20.0


def test_a_hand_led_by_the_screen_lands_with_a_touch_or_two() -> None:
    """Eight made trims from five to twenty usual nudges away, each of which stays landed.

    A comparison with the digits alone is in tests/benchmarks.
    """
    seed = unseen_seed()
    trims = [trim(np.random.default_rng([seed, number]), Coached(), Bench()) for number in range(8)]

    assert not any(one.false for one in trims)
    assert np.mean([one.touches for one in trims]) <= 2.0
    assert np.median([one.took_s for one in trims]) < 60.0
