"""Quality of the numbers computed after a run, on made runs with random seeds; printed only.

The truth is known: the noise has innovations of known size (Kasdin 1995), the visits follow known
ageing laws.
"""

import math
import secrets

import numpy as np
import pytest
from stability_kit import FloatArray, made_phase

from benchwatch.estimate.ageing.ageing_forecast import forecast_ageing
from benchwatch.estimate.ageing.ageing_laws import fit_ageing
from benchwatch.estimate.stability import (
    phase_of_offsets,
    phase_of_phase,
    stability_table,
    variance,
)
from benchwatch.estimate.stability.total_bias import total_bias
from benchwatch.estimate.uncertainty.measured_record import averaged
from benchwatch.estimate.uncertainty.offset_record import Reference, offset_budget

RUNS = 200
KNOWN = Reference(u=0.0, ageing_per_s=0.0)
NOISES = {2: "white PM", 1: "flicker PM", 0: "white FM", -1: "flicker FM", -2: "random-walk FM"}


def offsets_of(kind: str, size: int, rng: np.random.Generator) -> FloatArray:
    """Make offsets of one kind of noise."""
    white = rng.normal(size=size)
    if kind == "white":
        return white
    if kind == "random walk":
        return np.cumsum(white)
    if kind == "flicker":
        return np.diff(made_phase(-1, size + 1, rng))
    return np.asarray(white + np.cumsum(0.05 * rng.normal(size=size)))


@pytest.mark.parametrize(
    ("kind", "size"),
    [
        ("white", 300), ("white and walk of 0.05", 300), ("random walk", 20), ("random walk", 60),
        ("flicker", 300),
    ],
)  # fmt: skip
def test_budget_holds_the_next_run(kind: str, size: int) -> None:
    """Print how often the budget's U at 95 % holds the mean of the next run of equal length."""
    rng, held, wide = np.random.default_rng(secrets.randbits(32)), 0, []
    for _ in range(RUNS):
        y = offsets_of(kind, 2 * size, rng)
        run = averaged(np.arange(float(size)).tolist(), y[:size].tolist(), 1.0)
        budget = offset_budget(
            run.mean, noise=run.noise, resolution=None, drift_per_s=run.drift_per_s,
            span_s=run.span_s, reference=KNOWN,
        )  # fmt: skip
        stated = budget.expanded(0.95)
        assert stated is not None
        wide.append(stated.half_width * math.sqrt(size))
        held += abs(float(y[size:].mean()) - run.mean) <= stated.half_width

    print(f"{kind}, {size}: held {held / RUNS:.3f}, U√n {np.median(wide):.3g}; {RUNS} runs")


@pytest.mark.parametrize("alpha", NOISES)
def test_lost_readings(alpha: int) -> None:
    """Print the variance with 1 % of 20 000 readings lost over that with none lost."""
    rng, size, found = np.random.default_rng(secrets.randbits(32)), 20_000, []
    factors = (1, 16, 128, 1024, 4096)
    for _ in range(10):
        y = np.diff(made_phase(alpha, size + 1, rng))
        lost = np.where(rng.random(size) < 0.01, np.nan, y)
        whole, broken = phase_of_offsets(y), phase_of_offsets(lost, bridged=True)
        found.append([[variance("oadev", p, m)[0] for m in factors] for p in (whole, broken)])
    table = np.array(found)
    with np.errstate(invalid="ignore"):
        ratios = [
            float(np.nanmean(table[:, 1, k]) / table[np.isfinite(table[:, 1, k]), 0, k].mean())
            if np.isfinite(table[:, 1, k]).any()
            else math.nan
            for k in range(len(factors))
        ]

    shown = ", ".join(f"{m}: {ratio:.3f}" for m, ratio in zip(factors, ratios, strict=True))
    print(f"{NOISES[alpha]}: {shown}; 10 runs, nan: not given")


@pytest.mark.parametrize("alpha", NOISES)
def test_total_deviation(alpha: int) -> None:
    """Print how often the 68.27 % limits of totdev hold the truth, at m = 100 of 401 points."""
    rng, points, m, held, squares = np.random.default_rng(secrets.randbits(32)), 401, 100, 0, []
    long = [variance("oadev", phase_of_phase(made_phase(alpha, 80_001, rng), 1.0), m)[0]
            for _ in range(20)]  # fmt: skip
    truth = math.sqrt(np.mean(long))
    for _ in range(RUNS):
        phase = phase_of_phase(made_phase(alpha, points, rng), 1.0)
        (row,) = stability_table(phase, 1.0, ["totdev"], [m])
        assert row.low is not None
        assert row.high is not None
        assert row.corrected is not None
        squares.append((row.value**2, row.corrected**2))
        held += row.low <= truth <= row.high
    plain, corrected = np.sqrt(np.mean(squares, axis=0)) / truth
    exact = math.sqrt(total_bias(alpha, m, np.array([points - 2])))
    print(
        f"{NOISES[alpha]}: held {held / RUNS:.3f}; value over truth {plain:.3f} "
        f"(exact {exact:.3f}), corrected {corrected:.3f}; {RUNS} runs"
    )


@pytest.mark.parametrize("visits", [6, 8, 12])
@pytest.mark.parametrize("kind", ["logarithmic less linear", "linear and walk"])
def test_ageing_band(kind: str, visits: int) -> None:
    """Print how often the 95 % band holds a visit a year ahead where no law is exact."""
    rng, held, wide = np.random.default_rng(secrets.randbits(32)), 0, []
    for _ in range(RUNS):
        days = np.sort(rng.uniform(1.0, 1000.0, visits))
        at = np.append(days, days[-1] + 365.25)
        size, span = 10 ** rng.uniform(0.3, 1.5), float(np.ptp(days))
        if kind == "linear and walk":
            steps = np.sqrt(np.diff(at, prepend=0.0) / span) * rng.choice([1.0, 3.0])
            y = size * at / span + np.cumsum(steps * rng.normal(size=at.size))
        else:
            y = size * (np.log(at) / np.ptp(np.log(days)) - rng.uniform(0.3, 1.0) * at / span)
        y = y + rng.normal(size=at.size)
        band = forecast_ageing(fit_ageing(days.tolist(), y[:-1].tolist()), float(at[-1]))
        assert band.low is not None
        assert band.high is not None
        held += band.low <= y[-1] <= band.high
        wide.append(band.high - band.low)

    print(f"{kind}, {visits} visits: held {held / RUNS:.3f}, {np.median(wide):.1f} scatters wide")
