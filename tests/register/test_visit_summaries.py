"""Visits in brief are what the visits read in full say, and are found by unit, text and date."""

from dataclasses import replace
from pathlib import Path

import pytest
from register_kit import behind_the_triggers, made_register, read_all, record, visit_drafts

from benchwatch.estimate.uncertainty.uncertainty_budget import Budget, BudgetRow
from benchwatch.register.amending import amend_entry
from benchwatch.register.register_entry import Draft
from benchwatch.register.register_file import RegisterFile
from benchwatch.register.register_reader import RegisterReader, read_register
from benchwatch.register.registered_unit import Unit
from benchwatch.register.visit_summary import ROWS_OF_BUDGET, read_summaries, summary_of


@pytest.fixture
def register(tmp_path: Path) -> RegisterFile:
    """Return a register of three units with four visits each, an hour apart."""
    return made_register(tmp_path / "register.db", visits=4)


def in_full(reader: RegisterReader) -> dict[str, object]:
    """Return the summaries of all visits, made from the visits read in full."""
    visits = [reader.visit(name) for name in reader.visit_names()]
    return {visit.name: summary_of(visit) for visit in visits if visit is not None}


def with_rows(rows: int) -> dict[str, object]:
    """Return the document of a record whose budget has so many rows."""
    row = BudgetRow(name="noise", source="σy", u=3e-12, distribution="type A", estimate=1e-10)
    budget = Budget((row,) * rows, ("resolution of the counter",))
    one = replace(record("as left", 0.0), budget=budget, conditions=(("caution", "own time base"),))
    return {"record": one.as_dict(), "automatic": False}


def test_summaries_are_what_the_visits_say(register, tmp_path):
    """With amendments, long budgets, nameless and open visits, other chains, no record at all."""
    note = next(entry for entry in read_all(register) if entry.kind == "note")
    found = next(entry for entry in read_all(register) if entry.kind == "record")
    amend_entry(register, note, None, "of another unit")
    new = {"record": record("as found", 1e-9).as_dict()}
    amend_entry(register, found, new, "wrong channel")
    register.add([Draft(kind="visit", document={"source": "watch"})])
    (*_, named) = register.add(
        [Draft(kind="visit", document={}), Draft(kind="named", document={}, unit="0499")]
    )
    for rows in (0, 1, ROWS_OF_BUDGET, ROWS_OF_BUDGET + 1):
        register.add(
            [Draft(kind="visit", document={"tolerance": 1e-9}, unit="0498"),
             Draft(kind="record", document=with_rows(rows), unit="0498")]
        )  # fmt: skip
    elsewhere = RegisterFile(register.path, machine="another")
    elsewhere.add(visit_drafts("0417", 1.95e9))
    elsewhere.add([Draft(kind="record", document=with_rows(2), visit=named.visit)])
    with read_register(register.path) as reader:
        brief = {one.name: one for one in reader.summaries()}
        expected = in_full(reader)

    assert len(expected) == 12 + 2 + 4 + 1
    assert brief == expected
    assert brief[str(found.visit)].as_found is not None
    assert brief[str(found.visit)].as_found.offset == pytest.approx(1e-9)


def test_usual_visits_are_not_read_in_full(register):
    """Also with a plain measurement and another tolerance, all come from one query."""
    measured = {"record": record("measured", 2e-9).as_dict(), "automatic": False}
    limit = {"name": "tolerance", "text": "5 ppb", "tolerance": 5e-9}
    (*_, opened) = register.add([Draft(kind="visit", document={}, unit="0417"),
                                 Draft(kind="record", document=measured, unit="0417"),
                                 Draft(kind="condition", document=limit, unit="0417"),
                                 Draft(kind="note", document={"text": "lid on"})])  # fmt: skip
    with register.reading() as connection, read_register(register.path) as reader:
        assert connection is not None
        brief = read_summaries(connection, reader.visit_names(), pytest.fail)
        expected = in_full(reader)

    assert len(brief) == 13
    assert brief == expected
    assert (brief[str(opened.visit)].as_found, brief[str(opened.visit)].as_left) == (None, None)
    assert brief[str(opened.visit)].tolerance == 5e-9


@pytest.mark.parametrize("document", ["no JSON", "[]", '{"record":{"kind":"as found"}}', "{}"])
def test_documents_changed_by_hand_hide_no_visit(register, document):
    """A record that can't be read is left out; its visit and all others are there."""
    with behind_the_triggers(register.path) as tool:
        tool.execute(
            "UPDATE entries SET document = ? WHERE number IN (4, 8) OR (number = 9 AND ? = '[]')",
            (document, document),
        )
    with read_register(register.path) as reader:
        brief = {one.name: one for one in reader.summaries()}
        expected = in_full(reader)

    assert len(brief) == 12
    assert brief == expected


def test_the_newest_come_first_and_as_many_as_asked_for(register):
    """A visit typed from paper stands where it began, not where it was typed."""
    (*_, typed) = register.add(
        [Draft(kind="visit", unit="0417", document={"began": "2030-03-17T19:00:00Z",
                                                    "source": "typed table"})]
    )  # fmt: skip
    with read_register(register.path) as reader:
        newest = reader.summaries(limit=5)
        everything = reader.summaries()

    assert newest == everything[:5]
    opened = [one.opened_utc_s for one in everything]
    assert opened == sorted(opened, reverse=True)
    assert everything.index(next(one for one in everything if one.name == typed.visit)) == 6


def test_visits_are_found_by_unit_date_state_and_text(register):
    """Each filter alone, and all of them at once."""
    opening = next(entry for entry in read_all(register) if entry.kind == "visit")
    amend_entry(register, opening, opening.values(), "label misread", unit="0418")
    register.add([Unit(ident="0419", description="oven of the mast at Büsum").draft()])
    register.add(
        [Draft(kind="visit", unit="0417", document={}, at_utc_s=1.9e9 + 9e5),
         Draft(kind="condition", document={"name": "room", "text": '21.5 °C, 50 % "dry"'})]
    )  # fmt: skip
    with read_register(register.path) as reader:
        units = [len(reader.summaries(unit=f"04{n}")) for n in (17, 18, 19, 20)]
        texts = [
            len(reader.summaries(text=text))
            for text in ("BÜSUM", "LID WAS", '% "dry"', "0418", "misread", "resource", "frost")
        ]
        dates = (
            len(reader.summaries(until_utc_s=1.9e9 + 3600.0)),
            len(reader.summaries(since_utc_s=1.9e9 + 3600.0, until_utc_s=1.9e9 + 7200.0)),
            len(reader.summaries(since_utc_s=1.9e9 + 8e5)),
        )
        still_open = [one.unit for one in reader.summaries(open_only=True)]
        together = reader.summaries(
            unit="0417", text="room", since_utc_s=1.9e9, open_only=True, limit=3
        )

    assert units == [4, 5, 4, 0]
    assert texts == [4, 12, 1, 5, 1, 0, 0]
    assert dates == (4, 4, 1)
    assert still_open == ["0417"]
    assert [one.closed_utc_s for one in together] == [None]


def test_a_register_that_is_not_there_has_no_visits(tmp_path):
    """No file, no visits, no file afterwards."""
    with read_register(tmp_path / "none.db") as reader:
        found = reader.summaries(), reader.units(), reader.visits_of("0417")

    assert found == ([], [], [])
    assert list(tmp_path.iterdir()) == []
