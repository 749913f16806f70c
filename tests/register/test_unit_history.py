"""The history of a unit from its visits in the register."""

from pathlib import Path

import pytest
from register_kit import made_register, record, visit_drafts

from benchwatch.reading import AS_FOUND, AS_LEFT, MEASURED
from benchwatch.register import RegisterFile, read_register
from benchwatch.register.unit_history import history_of, in_order_of_visiting
from benchwatch.register.visit import TYPED_TABLE, Visit, VisitRecord

DAY_S = 86400.0


def a_visit(
    number: int, day: float, found: float | None, left: float | None, **changes: str
) -> Visit:
    """Make a visit with offsets in ppb."""
    records = [
        VisitRecord(
            entry="", at_utc_s=day * DAY_S, record=record(kind, ppb * 1e-9, utc_s=day * DAY_S)
        )
        for kind, ppb in ((AS_FOUND, found), (AS_LEFT, left))
        if ppb is not None
    ]
    name = f"{changes.pop('chain', 'aa')}/{number}"
    return Visit(
        name=name, opened_utc_s=day * DAY_S, unit="0417", records=tuple(records),
        source=changes.pop("source", "watch"),
    )  # fmt: skip


def test_visits_of_a_register(tmp_path: Path) -> None:
    """Two visits of each unit, found at 36.97 ppb and left at 0.12: one interval of 36.85 ppb."""
    register = made_register(tmp_path / "register.db", units=1, visits=2)

    with read_register(register.path) as reader:
        history = history_of(reader.visits_of("0417"))

    (interval,) = history.intervals
    assert (interval.from_visit, interval.to_visit) == ("1", "2")
    assert interval.change == pytest.approx(36.85e-9)
    assert interval.days == pytest.approx(3600.0 / DAY_S)


def test_a_clock_set_back_is_seen_in_watched_visits() -> None:
    """A later visit of the same machine with an earlier date: both are named."""
    history = history_of([a_visit(1, 300, 1, 0), a_visit(2, 200, 1, 0), a_visit(3, 400, 1, 0)])

    assert history.conflicts == (("1", "2"),)


def test_typed_visits_take_place_when_they_say() -> None:
    """Visits typed in later, of earlier years, are no conflict."""
    visits = [
        a_visit(1, 800, 1, 0),
        a_visit(2, 100, 9, 0, source=TYPED_TABLE),
        a_visit(3, 400, 1, 0, source=TYPED_TABLE),
    ]

    ordered = in_order_of_visiting(visits)

    assert [visit.number for visit in ordered] == [2, 3, 1]
    assert history_of(visits).conflicts == ()
    assert len(history_of(visits).intervals) == 2


def test_visits_of_two_machines() -> None:
    """Visits of two chains are merged by date, and called by chain and number."""
    visits = [a_visit(1, 300, 2, 0, chain="bb"), a_visit(1, 100, 9, 0), a_visit(2, 500, 3, 0)]

    history = history_of(visits)

    assert [one.label for one in history.joined] == ["aa/1", "bb/1", "aa/2"]
    assert [one.change * 1e9 for one in history.intervals] == pytest.approx([2.0, 3.0])


def test_a_plain_measurement_counts_where_there_is_no_other(tmp_path: Path) -> None:
    """A visit with a plain record only is a point of the history."""
    register = RegisterFile(tmp_path / "register.db")
    drafts = visit_drafts("0417", 1.9e9)[:2]
    plain = record(MEASURED, 2e-9)
    drafts.append(
        type(drafts[0])(
            kind="record", unit="0417", document={"record": plain.as_dict()}, at_utc_s=1.9e9
        )
    )
    register.add(drafts)

    with read_register(register.path) as reader:
        history = history_of(reader.visits_of("0417"))

    assert history.newest is not None
    assert history.newest.offset == pytest.approx(2e-9)
    assert history.newest.utc_s == 1.9e9
