"""Records as the history needs them: what two of them share by their budgets."""

import pytest

from benchwatch.estimate.ageing.history_records import dated_offset
from benchwatch.estimate.ageing.visit_history import record_covariance
from benchwatch.estimate.uncertainty.offset_record import (
    Noise,
    OffsetRecord,
    Reference,
    offset_budget,
)

STANDARD = Reference(name="house standard", u=2e-11, source="certificate of 2031", ageing_per_s=0)


def record_of(
    reference: Reference, *, time_base: str = "external", counter: str = "", utc_s: float | None = 0
) -> OffsetRecord:
    """Make a record of +1 ppb with a noise of 0.03 ppb."""
    budget = offset_budget(
        1e-9, noise=Noise(u=3e-11, dof=9.0, averaging_s=60.0), resolution=None, drift_per_s=None,
        span_s=60.0, reference=reference,
    )  # fmt: skip
    return OffsetRecord(
        kind="as left", counter="main", nominal_hz=5e6, utc_s=utc_s, span_s=60.0, readings=60,
        budget=budget, conditions=(("time base", time_base), ("counter", counter)),
    )  # fmt: skip


def shared_u2(one: OffsetRecord, two: OffsetRecord) -> float | None:
    """Return the covariance of two records with different times."""
    first, second = dated_offset(one), dated_offset(two)
    assert first is not None
    assert second is not None
    return record_covariance(first, second)


def test_one_calibration_is_shared() -> None:
    """Two records against the same external standard share its u."""
    shared = shared_u2(record_of(STANDARD), record_of(STANDARD, utc_s=9.0))

    assert shared == pytest.approx(2e-11**2)


def test_own_time_base_is_shared_by_one_counter_only() -> None:
    """A counter's own oscillator is shared by records of that counter, and not by another's."""
    one, same, other = (
        record_of(STANDARD, time_base="internal", counter=counter, utc_s=utc_s)
        for counter, utc_s in (("A", 0.0), ("A", 9.0), ("B", 9.0))
    )

    assert shared_u2(one, same) == pytest.approx(2e-11**2)
    assert shared_u2(one, other) == 0.0


def test_unstated_reference() -> None:
    """Where the reference's u is not stated, what is shared is not known; its u still counts."""
    found = dated_offset(record_of(Reference(name="house standard")))

    assert found is not None
    assert found.shared is None
    assert found.u == pytest.approx(3e-11)


def test_a_record_without_a_date() -> None:
    """A record that has no date has no place in the history."""
    assert dated_offset(record_of(STANDARD, utc_s=None)) is None
