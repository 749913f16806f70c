"""A made hand led by the screen beside the same hand with the counter's digits only.

python -m pytest tests/benchmarks -k coached -s
"""

import secrets

import numpy as np
import pytest
from made_hand import ByDigits, Coached, Result, trim

TRIMS = 40


@pytest.mark.timeout(600)
def test_quality_coached_turns() -> None:
    """Led by the screen nothing is landed that is not; times and touches beside the other hand."""
    seed = secrets.randbits(32)
    print(f"\n{TRIMS} trims from tool on to landed, hold of 30 s included; seed {seed}")
    print(
        f"{'':<22}{'time, median':>14}{'90 %':>9}{'touches':>9}{'turns':>7}{'false':>7}{'never':>7}"
    )
    found: dict[str, list[Result]] = {}
    for name, hand in (("digits, waits 10 s", ByDigits), ("led by the screen", Coached)):
        found[name] = [
            trim(np.random.default_rng([seed, number]), hand()) for number in range(TRIMS)
        ]
        took = [one.took_s for one in found[name]]
        print(
            f"{name:<22}{np.median(took):12.0f} s{np.quantile(took, 0.9):7.0f} s"
            f"{np.median([one.off_s for one in found[name]]):8.0f} s"
            f"{np.mean([one.touches for one in found[name]]):9.1f}"
            f"{np.mean([one.turns for one in found[name]]):7.1f}"
            f"{sum(one.false for one in found[name]):7d}"
            f"{sum(not np.isfinite(one.took_s) for one in found[name]):7d}"
        )
    digits, coached = found.values()
    time = np.median([one.took_s for one in coached]) / np.median([one.took_s for one in digits])
    touches = np.mean([one.touches for one in coached]) / np.mean([one.touches for one in digits])
    off = np.median([one.off_s for one in coached]) / np.median([one.off_s for one in digits])
    print(
        f"of the hand with digits: time {time:.2f}, until hands off {off:.2f}, "
        f"touches {touches:.2f} (target 0.50 each)"
    )

    assert sum(one.false for one in coached) <= 1
    assert sum(np.isfinite(one.took_s) for one in coached) >= 0.9 * TRIMS
