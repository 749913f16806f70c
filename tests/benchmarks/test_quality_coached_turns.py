"""A made technician led by the screen, compared with one who reads the counter's digits only.

python -m pytest tests/benchmarks -k coached -s

The technician with digits waits 10 s after each turn, reads hands off, and takes the trim as landed
when each reading for 30 s from the lift was inside. In the fourth row the 30 s count from the first
reading after the wait, as the screen's hold does. In the third row the technician knows offset,
pull, creep and backlash, but turns as inexactly: the best that any program could reach. In the
fifth row the tool's pull varies from touch to touch. Where readings come once a second, the screen
needs several of them after each turn, which takes a larger part of the time.
"""

import secrets
from dataclasses import replace

import numpy as np
import pytest
from made_technician import Bench, ByDigits, Coached, KnowsTheTruth, Result, Technician, trim

TRIMS = 40
FAR, NEAR = Bench(), Bench(near=2.0, far=6.0)
SLOW = Bench(gate_s=1.0, sigma=5e-11)
"""A reading a second, with the noise of the mean of four readings of the other benches."""
ROWS: dict[str, tuple[type[Technician], dict[str, float], dict[str, float]]] = {
    "digits, waits 10 s": (ByDigits, {}, {}),
    "led by the screen": (Coached, {}, {}),
    "knows the truth": (KnowsTheTruth, {}, {}),
    "digits, 30 s from look": (ByDigits, {"hold_s": 40.0}, {}),
    "screen, pull varies": (Coached, {}, {"pull_varies": 0.15}),
}


def _row(name: str, trims: list[Result]) -> None:
    took, off = [one.took_s for one in trims], [one.off_s for one in trims]
    print(
        f"{name:<24}{np.median(took):8.0f} s{np.quantile(took, 0.9):7.0f} s"
        f"{np.median(off):8.0f} s"
        f"{np.mean([one.touches for one in trims]):9.2f}"
        f"{np.mean([one.turns for one in trims]):7.1f}"
        f"{sum(one.false for one in trims):7d}"
        f"{sum(not np.isfinite(one.took_s) for one in trims):7d}"
    )
    kinds = sorted({kind for one in trims for kind in one.spent_s})
    spent = (
        f"{kind} {np.mean([one.spent_s.get(kind, 0.0) for one in trims]):.1f}" for kind in kinds
    )
    print(f"{'':<6}seconds a trim: {'; '.join(spent)}")


@pytest.mark.timeout(900)
@pytest.mark.parametrize("bench", [FAR, NEAR, SLOW], ids=["far", "near", "slow"])
def test_quality_coached_turns(bench: Bench) -> None:
    """No trim led by the screen is falsely landed; prints times and touches of each technician."""
    seed = secrets.randbits(32)
    print(f"\n{TRIMS} trims from {bench.near:g} to {bench.far:g} usual nudges away; seed {seed}")
    print(f"a reading every {bench.gate_s:g} s")
    print(
        f"{'':<24}{'landed':>10}{'90 %':>9}{'lifted':>10}"
        f"{'touches':>9}{'turns':>7}{'false':>7}{'never':>7}"
    )
    found: dict[str, list[Result]] = {}
    for name, (technician, options, changes) in ROWS.items():
        made = replace(bench, **changes)
        found[name] = [
            trim(np.random.default_rng([seed, number]), technician(**options), made)
            for number in range(TRIMS)
        ]
        _row(name, found[name])
    digits, coached, _, from_look, _ = found.values()
    ratios = {
        "time": _ratio(coached, digits, "took_s"),
        "until hands off": _ratio(coached, digits, "off_s"),
        "time, 30 s from look": _ratio(coached, from_look, "took_s"),
        "touches": np.mean([one.touches for one in coached])
        / np.mean([one.touches for one in digits]),
    }
    summary = ", ".join(f"{name} {ratio:.2f}" for name, ratio in ratios.items())
    print(f"of the technician with digits: {summary} (target 0.50 each)")

    assert not any(one.false for one in coached)
    assert sum(np.isfinite(one.took_s) for one in coached) >= 0.95 * TRIMS
    assert ratios["touches"] <= 0.5
    assert ratios["time, 30 s from look"] <= 0.75


def _ratio(some: list[Result], others: list[Result], what: str) -> float:
    """Return the ratio of the medians of the field `what`."""
    first, second = (np.median([getattr(one, what) for one in trims]) for trims in (some, others))
    return float(first / second)
