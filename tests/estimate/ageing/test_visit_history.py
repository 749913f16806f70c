"""The history of a unit: intervals, the joined series, and what is left out of them."""

import math
from dataclasses import replace

import pytest

from benchwatch.estimate.ageing.ageing_laws import fit_ageing
from benchwatch.estimate.ageing.visit_history import (
    DatedOffset,
    SharedPart,
    VisitOffsets,
    record_covariance,
    visit_history,
)
from benchwatch.estimate.derived_frequencies import DAY_S

# The public series of test_ageing: days and ppb; the law's A = 2.13268948 ± 0.145 ppb.
DAYS = (2.0, 4.0, 7.0, 8.0, 9.0, 12.0, 13.0, 25.0, 32.0)
PPB = (2.0, 3.5, 4.65, 5.05, 5.22, 6.11, 6.19, 7.26, 7.92)


def record(
    day: float, ppb: float, u: float | None = 0.1, shared: float | None = None
) -> DatedOffset:
    """Make a record; `shared` is the part of u (ppb) that is the house standard's."""
    parts = None if shared is None else (SharedPart(cause="house standard", u=shared * 1e-9),)
    return DatedOffset(
        utc_s=day * DAY_S, offset=ppb * 1e-9, u=None if u is None else u * 1e-9, shared=parts
    )


def visit(
    number: int,
    found: DatedOffset | None,
    left: DatedOffset | None = None,
    nominal_hz: float | None = 5e6,
) -> VisitOffsets:
    """Make a visit."""
    return VisitOffsets(label=str(number), nominal_hz=nominal_hz, as_found=found, as_left=left)


def test_public_series_cut_by_trims() -> None:
    """Trimmed by known amounts on each day, the public series joins up and gives the same A."""
    whole = fit_ageing(DAYS, [ppb * 1e-9 for ppb in PPB])
    setting, visits = 0.0, []
    for number, (day, ppb) in enumerate(zip(DAYS, PPB, strict=True), start=1):
        found = record(day, ppb + setting)
        setting -= 1.7 * number - 6.0
        visits.append(visit(number, found, record(day, ppb + setting)))

    history = visit_history(visits)
    joined = fit_ageing(
        [one.utc_s / DAY_S for one in history.joined], [one.offset for one in history.joined]
    )

    assert joined.best.slope == pytest.approx(whole.best.slope, rel=1e-9)
    assert joined.best.slope * 1e9 == pytest.approx(2.13268948, abs=3e-4)
    assert joined.best.law == "logarithmic"
    assert history.joined[-1].offset == pytest.approx((PPB[-1] + setting) * 1e-9)


def test_interval_from_as_left_to_as_found() -> None:
    """The change over a year is as found less as left, its u the root of both squares."""
    history = visit_history(
        [
            visit(1, record(0.0, 37.0), record(0.1, 0.2, u=0.03)),
            visit(2, record(365.35, 1.8, u=0.04), record(365.5, -0.1)),
        ]
    )

    (interval,) = history.intervals
    assert (interval.from_visit, interval.to_visit) == ("1", "2")
    assert interval.days == pytest.approx(365.25)
    assert interval.change == pytest.approx(1.6e-9)
    assert interval.u == pytest.approx(0.05e-9)
    assert interval.per_year == pytest.approx(1.6e-9)
    assert interval.u_per_year == pytest.approx(0.05e-9)
    assert interval.moved
    assert not interval.shared_known


def test_a_shared_reference_drops_out() -> None:
    """Of u = 0.05, 0.04 is that of one reference: the difference has √2 · 0.03."""
    history = visit_history(
        [visit(1, record(0.0, 0.0, 0.05, 0.04)), visit(2, record(365.25, 1.0, 0.05, 0.04))]
    )

    assert history.intervals[0].u == pytest.approx(math.sqrt(2.0) * 0.03e-9)
    assert history.intervals[0].shared_known


def test_another_calibration_is_not_shared() -> None:
    """Records against differently named causes share nothing."""
    one, two = record(0.0, 0.0, 0.05, 0.04), record(1.0, 0.0, 0.05, 0.04)
    other = replace(two, shared=(SharedPart(cause="house standard, calibrated", u=0.04e-9),))

    assert record_covariance(one, two) == pytest.approx(0.04e-9**2)
    assert record_covariance(one, other) == 0.0


def test_joined_errors_add_up_along_trims() -> None:
    """Two trims of two records each: u² of the first joined offset is that of five records."""
    history = visit_history(
        [
            visit(1, record(0.0, 9.0), record(0.1, 0.0)),
            visit(2, record(100.0, 1.0), record(100.1, 0.0)),
            visit(3, record(200.0, 1.0), record(200.1, 0.0)),
        ]
    )

    assert [one.offset * 1e9 for one in history.joined] == pytest.approx([-2.0, -1.0, 0.0])
    assert history.joined[0].u == pytest.approx(math.sqrt(5.0) * 0.1e-9)
    assert history.joined[2].u == pytest.approx(0.1e-9)


def test_untrimmed_visits_are_joined_as_they_are() -> None:
    """One measurement that is as found and as left at once shifts nothing and counts once."""
    values = (0.0, 0.5, 1.5)
    history = visit_history(
        [visit(k, record(100.0 * k, y), record(100.0 * k, y)) for k, y in enumerate(values, 1)]
    )

    assert [one.offset * 1e9 for one in history.joined] == pytest.approx(values)
    assert history.joined[0].u == pytest.approx(0.1e-9)


def test_only_one_record_serves_as_both() -> None:
    """A visit with as left only ends one interval and begins the next; one without is passed."""
    history = visit_history(
        [
            visit(1, record(0.0, 0.0)),
            visit(2, None, record(100.0, 1.0)),
            visit(3, None),
            visit(4, record(200.0, 3.0)),
        ]
    )

    assert [(one.from_visit, one.to_visit) for one in history.intervals] == [("1", "2"), ("2", "4")]
    assert [one.change * 1e9 for one in history.intervals] == pytest.approx([1.0, 2.0])


def test_clock_set_back_leaves_out_both_dates_but_not_their_trims() -> None:
    """Visit 3 dated before visit 2: one interval from 1 to 4, both trims taken out of it."""
    history = visit_history(
        [
            visit(1, record(0.0, 5.0), record(0.1, 0.0)),
            visit(2, record(300.0, 1.0), record(300.1, -2.0)),
            visit(3, record(200.0, -1.0), record(200.1, 4.0)),
            visit(4, record(400.0, 5.0)),
        ]
    )

    (interval,) = history.intervals
    assert history.conflicts == (("2", "3"),)
    assert (interval.from_visit, interval.to_visit) == ("1", "4")
    assert interval.change == pytest.approx(3.0e-9)  # 1 + 1 + 1 ppb between the visits
    assert interval.u == pytest.approx(math.sqrt(6.0) * 0.1e-9)
    assert history.newest_dated


def test_a_visit_that_runs_backwards_is_in_doubt() -> None:
    """As left before as found: the visit is paired with itself, and the newest date is in doubt."""
    history = visit_history(
        [visit(1, record(0.0, 0.0)), visit(2, record(100.0, 1.0), record(90.0, 0.0))]
    )

    assert history.conflicts == (("2", "2"),)
    assert history.intervals == ()
    assert not history.newest_dated


def test_other_nominals_are_left_out() -> None:
    """A visit under another nominal ends no interval; one that was trimmed breaks the chain."""
    ours = [visit(1, record(0.0, 0.0)), visit(3, record(200.0, 2.0))]
    looked_at = visit(2, record(100.0, 50.0), nominal_hz=1e7)
    trimmed = visit(2, record(100.0, 50.0), record(100.1, 0.0), nominal_hz=1e7)

    passed = visit_history([ours[0], looked_at, ours[1]])
    broken = visit_history([ours[0], trimmed, ours[1]])

    assert passed.other_nominals == broken.other_nominals == ("2",)
    assert [one.change * 1e9 for one in passed.intervals] == pytest.approx([2.0])
    assert broken.intervals == ()
    assert [one.label for one in broken.joined] == ["3"]


def test_an_unknown_u_stays_unknown() -> None:
    """A record without u gives a change without u, and no verdict that the unit moved."""
    history = visit_history([visit(1, record(0.0, 0.0, None)), visit(2, record(100.0, 9.0))])

    assert history.intervals[0].u is history.intervals[0].u_per_year is None
    assert not history.intervals[0].moved
    assert history.joined[0].u is None


def test_same_time_gives_no_rate() -> None:
    """Two visits at the same time have a change, but no rate."""
    history = visit_history([visit(1, record(5.0, 0.0)), visit(2, record(5.0, 1.0))])

    assert history.intervals[0].per_year is history.intervals[0].u_per_year is None


def test_no_visits() -> None:
    """Without a record there is no interval and no newest one."""
    history = visit_history([visit(1, None)])

    assert history.newest is None
    assert history.intervals == history.joined == ()
