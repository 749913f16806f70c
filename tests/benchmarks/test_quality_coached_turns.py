"""A made technician led by the screen beside one who reads the counter's digits only.

python -m pytest tests/benchmarks -k coached -s

The third knows offset, pull, creep and backlash without a reading, and turns as badly: no program
can do better with this technician. The one with digits waits 10 s a turn, looks hands off, and
calls it landed when it has been inside at each look for 30 s, counted from the lift; in the fourth
row from the first look on, which is how the screen's hold counts. The fifth row says what becomes
of it where the tool pulls otherwise at each touch. Where readings come once a second, the screen
needs several of them after each turn, and more of a trim's time is left to it.
"""

import secrets
from dataclasses import replace

import numpy as np
import pytest
from made_technician import Bench, ByDigits, Coached, KnowsTheTruth, Result, Technician, trim

TRIMS = 40
FAR, NEAR = Bench(), Bench(near=2.0, far=6.0)
SLOW = Bench(gate_s=1.0, sigma=5e-11)
"""A reading a second, with the noise that four readings of the others have in the mean."""
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
    """Led by the screen nothing is called landed that is not; times and touches beside others."""
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
    said = ", ".join(f"{name} {ratio:.2f}" for name, ratio in ratios.items())
    print(f"of the technician with digits: {said} (target 0.50 each)")

    assert not any(one.false for one in coached)
    assert sum(np.isfinite(one.took_s) for one in coached) >= 0.95 * TRIMS
    assert ratios["touches"] <= 0.5
    assert ratios["time, 30 s from look"] <= 0.75


def _ratio(some: list[Result], others: list[Result], what: str) -> float:
    """Return the ratio of the medians."""
    first, second = (np.median([getattr(one, what) for one in trims]) for trims in (some, others))
    return float(first / second)
