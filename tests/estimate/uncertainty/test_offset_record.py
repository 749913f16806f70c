"""The budget of a frequency offset, and its record."""

import json
import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.errors import FileError
from benchwatch.estimate.uncertainty.offset_record import (
    Noise,
    OffsetRecord,
    Reference,
    offset_budget,
)
from benchwatch.estimate.uncertainty.uncertainty_budget import Budget

DAY_S = 86400.0
HOUSE = Reference(name="house reference", u=2e-11, age_s=90 * DAY_S, ageing_per_s=1e-12 / DAY_S)


def budget_of(offset: float = 2.4e-9, **changes: Any) -> Budget:
    """Return a complete budget of a 10 MHz oscillator, with `changes`."""
    given_: dict[str, Any] = {
        "noise": Noise(u=3e-11, dof=12.0, averaging_s=100.0),
        "resolution": 1e-11,
        "drift_per_s": 1e-13,
        "span_s": 600.0,
        "reference": HOUSE,
    }
    return offset_budget(offset, **(given_ | changes))


def record_of(budget: Budget) -> OffsetRecord:
    """Return a record around `budget`."""
    return OffsetRecord(
        kind="as left",
        counter="main",
        nominal_hz=10e6,
        utc_s=1.93e9,
        span_s=600.0,
        readings=600,
        budget=budget,
        conditions=(("gate", "1 s"), ("room", "22 °C")),
    )


def test_every_line_by_hand() -> None:
    """Each contribution is its textbook value: d/√12, D·T/2/√3, age·rate/√3, σy as given."""
    contributions = {line.name: line.contribution for line in budget_of().lines}

    assert contributions["noise"] == 3e-11
    assert contributions["resolution"] == pytest.approx(1e-11 / math.sqrt(12))
    assert contributions["drift"] == pytest.approx(1e-13 * 300 / math.sqrt(3))
    assert contributions["house reference"] == pytest.approx(2e-11)
    assert contributions["house reference ageing"] == pytest.approx(9e-11 / math.sqrt(3))
    assert budget_of().missing == ()
    assert budget_of().u == pytest.approx(math.hypot(*contributions.values()))


def test_reference_that_is_off() -> None:
    """A time base fast by 1 ppm reads low by it: read = true/(1 + y), corrected exactly."""
    true = 3e-6
    read = (1 + true) / (1 + 1e-6) - 1

    budget = budget_of(read, reference=replace(HOUSE, offset=1e-6))

    assert budget.estimate == pytest.approx(true, abs=2e-16)


def test_missing_statements_are_named() -> None:
    """With readings only no number is invented, and each missing line is listed."""
    budget = budget_of(noise=None, resolution=0.0, drift_per_s=None, reference=Reference())

    assert budget.estimate == 2.4e-9
    assert len(budget.missing) == 5
    assert [line.name for line in budget.lines] == ["mean of the readings"]


def test_reference_known_not_to_age() -> None:
    """A stated ageing of zero (a disciplined reference) is neither a line nor missing."""
    budget = budget_of(reference=Reference(u=1e-12, ageing_per_s=0.0))

    assert budget.missing == ()
    assert "time base ageing" not in {line.name for line in budget.lines}


@given(offset=st.floats(-1e-3, 1e-3))
def test_sign_of_the_offset_does_not_matter(offset: float) -> None:
    """The budget is the same for a slow oscillator and a fast one."""
    assert budget_of(offset).u == pytest.approx(budget_of(-offset).u, rel=3e-3)
    assert budget_of(offset).estimate == pytest.approx(offset)


def test_record_in_hertz() -> None:
    """24 mHz at 10 MHz is 2.4 parts in 10^9 (common practice, no source)."""
    record = record_of(budget_of())

    assert record.offset_hz == pytest.approx(0.024)
    assert record.u == record.budget.u


def test_record_of_fractions_alone() -> None:
    """Without a nominal or dates there are no hertz and no time, also in JSON."""
    record = replace(record_of(budget_of()), nominal_hz=None, utc_s=None)

    assert record.offset_hz is None
    assert OffsetRecord.from_dict(json.loads(json.dumps(record.as_dict()))) == record


def test_record_through_json() -> None:
    """A record is equal after strict JSON, also with infinite degrees of freedom."""
    record = record_of(budget_of(noise=None))

    written = json.dumps(record.as_dict(), allow_nan=False)

    assert OffsetRecord.from_dict(json.loads(written)) == record


@pytest.mark.parametrize(
    "spoil",
    [
        {"kind": "as wished"},
        {"budget": None},
        {"budget": {"lines": [{"name": "x"}], "missing": []}},
        {"span_s": "long"},
        {"conditions": [["gate"]]},
    ],
)
def test_spoilt_record(spoil: dict[str, Any]) -> None:
    """A record with a wrong or missing value is a bad file, with a sentence."""
    with pytest.raises(FileError, match="no record of an offset"):
        OffsetRecord.from_dict(record_of(budget_of()).as_dict() | spoil)


@pytest.mark.parametrize(("name", "value"), [("u", -1.0), ("distribution", "bell"), ("dof", 0)])
def test_spoilt_line(name: str, value: object) -> None:
    """A line with an impossible number or an unknown distribution is refused as well."""
    values = record_of(budget_of()).as_dict()
    values["budget"]["lines"][0][name] = value

    with pytest.raises(FileError, match="no record of an offset"):
        OffsetRecord.from_dict(values)
