"""As found on made warm-ups: the record kept automatically, against the truth at the first turn.

Prints for each family how often as found was kept without a caution although the oscillator had
not settled (must be never), how often with a caution, and its error.
"""

from collections import Counter

import made_warmups
import numpy as np
import pytest
from seed_kit import unseen_seed

from benchwatch.estimate.live_estimate import LiveEstimate
from benchwatch.pipeline.cautions import cautions_of_quiet
from benchwatch.pipeline.trim_tracker import TrimTracker

RUNS = 12
TOLERANCE = 5e-9
FAMILIES = {
    "slow tail": made_warmups.slow_tail,
    "overshoot": made_warmups.overshoot,
    "flicker": made_warmups.flicker,
    "rounded": made_warmups.rounded,
}


def steps_of_its_own(rng: np.random.Generator, count: int) -> np.ndarray:
    """Make up to three jumps of an oven or its crystal during a warm-up: 2 to 50 ppb."""
    jumps = np.zeros(count)
    for _ in range(rng.integers(0, 4)):
        at = int(30 * (count / 60) ** rng.uniform())
        jumps[at:] += rng.choice([-1.0, 1.0]) * 2e-9 * 25 ** rng.uniform()
    return jumps


@pytest.mark.timeout(900)
@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("turned", ["after settling", "while it comes in"])
def test_as_found(family, turned):
    """As found is kept without a caution only where the oscillator had settled."""
    found: Counter[str] = Counter()
    errors = []
    for _ in range(RUNS):
        rng = np.random.default_rng(unseen_seed())
        made = FAMILIES[family](rng)
        excursion = made.excursion()
        settled = made.settled_at(excursion)
        last = len(made.truth) - 700
        at = settled + 1500 if turned == "after settling" else int(settled * rng.uniform(0.3, 0.9))
        at = min(max(at, 60), last)
        jumps = steps_of_its_own(rng, at) if turned == "after settling" else np.zeros(at)
        jumps[-1400:] = jumps[-1400] if at > 1400 else jumps[-1400:]
        size = rng.choice([-1.0, 1.0]) * 5e-9 * 20 ** rng.uniform()
        estimate = LiveEstimate(tolerance=TOLERANCE, settle=made_warmups.LIMIT)
        trimming = TrimTracker(TOLERANCE, made_warmups.LIMIT)
        truth = made.truth.copy()
        truth[:at] += jumps
        truth[at:] += (jumps[-1] if at else 0.0) + size
        readings = truth + (made.readings - made.truth)
        for second in range(at + 60):
            numbers = estimate.add(float(second), readings[second], resolution=made.quantum)
            trimming.add(float(second), readings[second], numbers)
        quiet = trimming.found
        if quiet is None or not quiet.frozen:
            found["none"] += 1
            continue
        where = min(int(quiet.elapsed_s), len(excursion) - 1)
        moved = excursion[where] > made_warmups.LIMIT.limit
        cautioned = bool(cautions_of_quiet(quiet, TOLERANCE))
        early = quiet.elapsed_s < at - 60
        words = ["moving" if moved else "settled", "caution" if cautioned else "no caution"]
        found[", ".join([*words, *(["before the turn"] if early else [])])] += 1
        if not cautioned:
            errors.append(abs(quiet.estimate.offset - truth[int(quiet.elapsed_s)]))
    worst = f"{max(errors) * 1e9:.2f} ppb" if errors else "-"
    print(f"\n{family}, turned {turned}: {dict(found)}; worst error without a caution {worst}")
    assert found["moving, no caution"] == 0
