"""Honesty of u and sight of nudges on made benches, on seeds drawn at the run.

python -m pytest tests/benchmarks -k quality -s
"""

import secrets

import numpy as np
import pytest
from trim_quality import trim_quality

BENCHES = 20


@pytest.mark.timeout(300)
def test_quality_of_u_and_nudges_while_trimming() -> None:
    """From 20 readings after a turn u is no more than 2.5 errors and 2u holds 9 in 10."""
    seed = secrets.randbits(32)
    quality = trim_quality(seed, BENCHES)
    print(f"\ntrims after a warm-up, {BENCHES} benches of 1600 readings; seed {seed}")
    print(f"{'stretch':<34}{'RMS error/σ':>12}{'median u/error':>16}{'2u covers':>11}")
    rows = (
        ("settled, before the first turn", quality.settled),
        ("5 to 19 readings after a turn", quality.young),
        ("20 to 59 readings after a turn", quality.judged),
    )
    for name, stretch in rows:
        print(f"{name:<34}{stretch.rms / 1e-10:12.2f}{stretch.ratio:16.2f}{stretch.covered:11.1%}")
    late = np.quantile(quality.late_readings, (0.5, 0.95))
    print(
        f"turns seen: {quality.seen} of {quality.groups}, {late[0]:.1f} readings after the last "
        f"turn (95 %: {late[1]:.1f}); nudges that were none: {quality.false}"
    )

    assert quality.judged.ratio <= 2.5
    assert quality.judged.covered >= 0.9
    assert quality.seen >= 0.95 * quality.groups
