"""Amendments: the old entry is kept, the new one stands with its reason; refusals are sentences."""

from pathlib import Path

import pytest
from register_kit import check_by_hand, made_register, read_all, record, rows_of

from benchwatch.errors import UsageError
from benchwatch.register.amending import LONGEST_REASON, amend_entry
from benchwatch.register.register_entry import Draft, RegisterEntry
from benchwatch.register.register_file import RegisterFile
from benchwatch.register.register_reader import read_register
from benchwatch.register.visit import Visit


@pytest.fixture
def register(tmp_path: Path) -> RegisterFile:
    """Return a register of two units with a visit each."""
    return made_register(tmp_path / "register.db", units=2, visits=1)


def entry_of_kind(register: RegisterFile, kind: str, number: int = 0) -> RegisterEntry:
    """Return one of the entries of this kind, in the order of writing."""
    return [entry for entry in read_all(register) if entry.kind == kind][number]


def first_visit(register: RegisterFile) -> Visit:
    """Return the first visit as it stands now."""
    with read_register(register.path) as reader:
        visit = reader.typed_visit("1")
    assert visit is not None
    return visit


def test_the_amendment_stands_and_the_amended_entry_is_kept(register):
    """A record is replaced: its new offset stands with the reason, the old row is unchanged."""
    before = rows_of(register.path)
    entry = entry_of_kind(register, "record")
    values = {**entry.values(), "record": record("as found", 30.5e-9).as_dict()}
    added = amend_entry(register, entry, values, "  read from  the wrong\nchannel ")
    visit = first_visit(register)

    assert rows_of(register.path)[: len(before)] == before
    check_by_hand(register.path)
    assert (added.kind, added.amends, added.visit) == ("amendment", entry.name, entry.visit)
    assert visit.as_found is not None
    assert visit.as_found.record.offset == pytest.approx(30.5e-9)
    assert visit.as_found.amended == "read from the wrong channel"
    assert visit.as_found.entry == added.name
    assert [one.text for one in visit.amendments] == ["read from the wrong channel"]


def test_an_entry_that_is_withdrawn_is_no_longer_shown(register):
    """A note and the record as left: neither stands, both are kept, with the reasons."""
    for kind, number in (("note", 0), ("record", 1)):
        amend_entry(register, entry_of_kind(register, kind, number), None, "of another unit")
    visit = first_visit(register)

    assert (visit.remarks, visit.as_left) == ((), None)
    assert visit.as_found is not None
    assert [one.text for one in visit.amendments] == ["of another unit"] * 2


def test_of_two_amendments_the_newest_stands(register):
    """Amended, withdrawn, and amended again."""
    note = entry_of_kind(register, "note")
    amend_entry(register, note, {"text": "the lid was missing"}, "wrong word")
    amend_entry(register, note, None, "no lid at all")
    amend_entry(register, note, {"text": "the lid was off"}, "there was one")
    visit = first_visit(register)

    assert [(one.text, one.amended) for one in visit.remarks] == [
        ("the lid was off", "there was one")
    ]
    assert len(visit.amendments) == 3


def test_a_visit_can_get_another_unit(register):
    """The visit leaves the one unit's list and stands in the other's, also after more changes."""
    opening = entry_of_kind(register, "visit")
    amend_entry(register, opening, opening.values(), "label misread", unit="0499")
    amend_entry(register, opening, opening.values() | {"tolerance": 1e-9}, "tolerance of 0499")
    with read_register(register.path) as reader:
        visits = reader.visits_of("0417"), reader.visits_of("0499")

    assert visits[0] == []
    assert [(one.unit, one.tolerance) for one in visits[1]] == [("0499", 1e-9)]


def test_an_amendment_is_not_amended(register):
    """The sentence names the entry that can be."""
    note = entry_of_kind(register, "note")
    amendment = amend_entry(register, note, {"text": "lid off"}, "wrong word")
    before = rows_of(register.path)
    with pytest.raises(UsageError, match=f"is an amendment itself: amend {note.name} once more"):
        amend_entry(register, amendment, {"text": "lid on"}, "changed my mind")

    assert rows_of(register.path) == before


@pytest.mark.parametrize(
    ("kind", "values", "reason", "words"),
    [
        ("chain", {}, "why not", "the beginning of a chain is not amended"),
        ("run", {"run": 3}, "wrong run", "add a note that says what was wrong with it"),
        ("closed", None, "too early", "a closed visit stays closed: open a further visit"),
        ("visit", None, "by mistake", "a visit is not withdrawn: withdraw its records"),
        ("note", {"text": "x"}, " \n ", "an amendment needs its reason"),
        ("note", {"text": "x"}, "y" * (LONGEST_REASON + 1), "501 characters: 500 at most"),
        ("note", {"text": " "}, "empty", "its new text is empty: type one, or withdraw"),
        ("note", {"text": float("nan")}, "none", "can't be amended by this"),
        ("record", {}, "lost", "is a record: 'record'"),
        ("record", {"record": {"kind": "as found"}}, "lost", "this is no record of an offset"),
        ("record", {"record": 12}, "lost", "this is no record of an offset"),
    ],
)
def test_what_can_not_be_amended_is_a_sentence(register, kind, values, reason, words):
    """A kind that is not amended, an empty or endless reason, values that are none."""
    before = rows_of(register.path)
    with pytest.raises(UsageError, match=words):
        amend_entry(register, entry_of_kind(register, kind), values, reason)

    assert rows_of(register.path) == before


def test_a_unit_is_stated_anew_and_not_amended(register):
    """The sentence says so; the newest statement stands."""
    (*_, stated) = register.add([Draft(kind="unit", unit="0417", document={"place": "mast 2"})])
    with pytest.raises(UsageError, match="state it anew, and the newest statement stands"):
        amend_entry(register, stated, {"place": "mast 3"}, "moved")
    register.add([Draft(kind="unit", unit="0417", document={"place": "mast 3"})])
    with read_register(register.path) as reader:
        unit = reader.unit("0417")

    assert unit is not None
    assert unit.place == "mast 3"


def test_an_entry_of_another_visit_is_refused(register):
    """Both visits are named, so that a mistyped number is seen."""
    other = entry_of_kind(register, "note", 1)
    visit = first_visit(register).name
    with pytest.raises(UsageError, match=f"is of visit {other.visit}, and not of visit {visit}"):
        amend_entry(register, other, {"text": "lid off"}, "wrong word", visit=visit)


def test_an_entry_that_the_register_does_not_have_is_refused(register, tmp_path):
    """An entry read from another register, or from one that was replaced meanwhile."""
    elsewhere = made_register(tmp_path / "elsewhere.db")
    note = entry_of_kind(elsewhere, "note")
    with pytest.raises(UsageError, match=f"there is no entry {note.name} as it was read in"):
        amend_entry(register, note, {"text": "lid off"}, "wrong word")


def test_a_note_states_no_unit(register):
    """Only the entry that opened or named a visit does."""
    note = entry_of_kind(register, "note")
    with pytest.raises(UsageError, match="states no unit: amend the entry that opened or named"):
        amend_entry(register, note, {"text": "x"}, "wrong unit", unit="0499")
