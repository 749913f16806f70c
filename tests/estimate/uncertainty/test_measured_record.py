"""From readings to the record of an offset."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.errors import NoReadings
from benchwatch.estimate.results import Drift, Estimate
from benchwatch.estimate.uncertainty.measured_record import (
    averaged,
    estimated_record,
    measured_record,
)
from benchwatch.estimate.uncertainty.offset_record import Reference

TIMES = np.arange(600.0)


def noisy(offset: float = 2e-9, drift_per_s: float = 0.0, seed: int = 4) -> list[float]:
    """Return ten minutes of white readings around `offset`."""
    noise = np.random.default_rng(seed).normal(0, 1e-10, TIMES.size)
    return [*(offset + drift_per_s * (TIMES - TIMES.mean()) + noise)]


def test_mean_span_and_drift() -> None:
    """The mean is the offset, the drift its rate, the span counts the last reading's interval."""
    run = averaged([*TIMES], noisy(drift_per_s=3e-12), 1.0)

    assert run.readings == 600
    assert run.span_s == 600.0
    assert run.middle_s == 299.5
    assert run.mean == pytest.approx(2e-9, abs=2e-11)
    assert run.drift_per_s == pytest.approx(3e-12, abs=1.5e-13)  # 4.2e-14 by white noise, 3.5 of it


def test_record_holds_everything() -> None:
    """The record has mean, span, readings, conditions and a budget with nothing missing."""
    run = averaged([*TIMES], noisy(), 1.0)
    reference = Reference(name="house reference", u=1e-11, ageing_per_s=0.0)

    record = measured_record(
        "as left", "main", run, reference, nominal_hz=10e6, utc_s=1.93e9, resolution=1e-11,
        conditions=(("gate", "1 s"),),
    )  # fmt: skip

    assert record.offset == run.mean
    assert record.readings == 600
    assert record.budget.missing == ()
    assert {line.name for line in record.budget.lines} == {
        "noise", "resolution", "drift", "house reference",
    }  # fmt: skip


@pytest.mark.parametrize(("readings", "dof"), [(3, 2), (400, 8)])
def test_live_estimate_on_record(readings: int, dof: float) -> None:
    """The live u is the noise line, known to 25 % at best: 8 degrees of freedom (GUM G.4.2)."""
    record = estimated_record(
        "as found", "main", Estimate(2.3e-9, 4e-11, readings, 60.0), Drift(1e-13, 2e-14, 60.0),
        Reference(u=0.0, ageing_per_s=0.0), nominal_hz=10e6, utc_s=None, resolution=1e-11,
    )  # fmt: skip

    noise = record.budget.lines[0]
    assert (record.offset, record.readings, record.span_s) == (2.3e-9, readings, 60.0)
    assert (noise.u, noise.dof) == (4e-11, dof)
    assert record.budget.missing == ()


def test_live_estimate_without_an_uncertainty() -> None:
    """A first reading is recorded as an offset with unknown noise."""
    record = estimated_record(
        "as left", "main", Estimate(2.3e-9, None, 1, 1.0), None, Reference(),
        nominal_hz=10e6, utc_s=None, resolution=1e-11,
    )  # fmt: skip

    assert record.offset == 2.3e-9
    assert any("noise" in name for name in record.budget.missing)
    assert any("drift" in name for name in record.budget.missing)


def test_gap_counts_as_no_reading() -> None:
    """A nan is no reading, and the mean is that of the others."""
    values = [1e-9, math.nan, 3e-9]

    run = averaged([0.0, 1.0, 2.0], values, 1.0)

    assert (run.readings, run.mean) == (2, pytest.approx(2e-9))
    assert run.noise is not None
    assert run.noise.dof == 1
    assert run.drift_per_s is None


@pytest.mark.parametrize("values", [[], [math.nan, math.nan]])
def test_no_reading_at_all(values: list[float]) -> None:
    """Nothing to average is an error, not a zero."""
    with pytest.raises(NoReadings):
        averaged([*range(len(values))], values, 1.0)


def test_constant_and_single() -> None:
    """One reading is its own mean; a constant run has neither noise nor drift."""
    one, constant = averaged([5.0], [7e-9], 1.0), averaged([*TIMES], [0.1] * 600, 1.0)

    assert (one.mean, one.span_s) == (7e-9, 1.0)
    assert constant.mean == 0.1
    assert constant.drift_per_s == 0.0
    assert constant.noise is not None
    assert constant.noise.u == 0.0


def test_times_since_1970() -> None:
    """At large times the drift is the same as from zero."""
    values = noisy(drift_per_s=3e-12)

    late = averaged([*(1.9e9 + TIMES)], values, 1.0)

    assert late.drift_per_s == pytest.approx(averaged([*TIMES], values, 1.0).drift_per_s, rel=1e-9)


@given(shift=st.floats(-1e-6, 1e-6), scale=st.floats(0.1, 10.0))
def test_shift_scale_and_sign(shift: float, scale: float) -> None:
    """A shift changes the mean only; a factor and a sign apply to drift and noise too."""
    plain = averaged([*TIMES], noisy(), 1.0)

    changed = averaged([*TIMES], [shift - scale * value for value in noisy()], 1.0)

    assert plain.noise is not None
    assert changed.noise is not None
    assert plain.drift_per_s is not None
    assert changed.mean == pytest.approx(shift - scale * plain.mean, rel=1e-9, abs=1e-19)
    assert changed.drift_per_s == pytest.approx(-scale * plain.drift_per_s, rel=1e-3, abs=1e-19)
    assert changed.noise.u == pytest.approx(scale * plain.noise.u, rel=1e-3)


def test_few_readings_have_the_spread_of_few() -> None:
    """GUM 4.2: s of 3.10, 3.25 and 3.21 is 0.0777; of the difference of two means √2 s/√3."""
    run = averaged([0.0, 1.0, 2.0], [3.10e-9, 3.25e-9, 3.21e-9], 1.0)

    assert run.noise is not None
    assert run.noise.u == pytest.approx(0.0634e-9, abs=0.0001e-9)
    assert run.noise.dof == 2
    assert run.noise.only_white
    assert averaged([0.0], [1e-9], 1.0).noise is None
