"""The register's entries: canonical, chained by hashes, only added to; changes are found.

The hashes are checked by code that shares nothing with the product (`register_kit`).
"""

import re
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as some
from pipeline_kit import StillClock
from register_kit import (
    behind_the_triggers,
    check_by_hand,
    made_register,
    read_all,
    rows_of,
    visit_drafts,
)

from benchwatch.register.chain_check import ChainState, check_chains, has_head
from benchwatch.register.register_entry import Draft, canonical
from benchwatch.register.register_file import RegisterFile, own_chain
from benchwatch.register.register_reader import read_register

FLOATS = some.floats(allow_nan=False, allow_infinity=False)
JSON = some.recursive(
    some.none() | some.booleans() | some.integers() | FLOATS | some.text(),
    lambda one: some.lists(one, max_size=4) | some.dictionaries(some.text(), one, max_size=4),
    max_leaves=8,
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return the path of a new register."""
    return tmp_path / "register.db"


def checked(path: Path) -> list[ChainState]:
    """Return what the check of all chains found."""
    with closing(sqlite3.connect(path)) as connection:
        return check_chains(connection)


def faults(path: Path) -> str:
    """Return all faults of a register with one chain."""
    (state,) = checked(path)
    return "\n".join(state.faults)


# ------------------------------------------------------------- hashes


def test_hashes_are_what_any_sha256_and_json_give(path):
    """Entries of several visits, checked anew; numbers run from 1 on without gaps."""
    made_register(path)

    check_by_hand(path)
    assert [row["number"] for row in rows_of(path)] == list(range(1, 1 + 1 + 3 * 2 * 6))
    assert rows_of(path)[0]["kind"] == "chain"


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(values=some.dictionaries(some.text(), JSON, max_size=5), ident=some.text(max_size=5))
def test_any_values_are_stored_as_canonical_json(tmp_path, values, ident):
    """Whatever the values and the text (lone surrogates too), the row can be checked by hand."""
    path = tmp_path / "any.db"
    register = RegisterFile(path, who="anna")
    unit = ident.encode("utf-8", "replace").decode()
    (*_, entry) = register.add([Draft(kind="note", unit=unit, document=values)])

    check_by_hand(path)
    assert checked(path)[0].faults == ()
    assert entry.document == canonical(values)


@pytest.mark.parametrize("number", [float("nan"), float("inf"), -float("inf")])
def test_a_number_that_json_does_not_have_is_not_written(path, number):
    """Nothing is added, and the register stays as it was."""
    register = made_register(path, units=1, visits=1)
    before = rows_of(path)
    with pytest.raises(ValueError, match="JSON compliant"):
        register.add([Draft(kind="note", document={"text": "lid"}),
                      Draft(kind="note", document={"text": number})])  # fmt: skip

    assert rows_of(path) == before


# ------------------------------------------------------------- only added to


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entries SET document = '{}' WHERE number = 3",
        "UPDATE entries SET number = 99 WHERE number = 3",
        "DELETE FROM entries",
        "DELETE FROM entries WHERE number = 3",
        "INSERT OR REPLACE INTO entries SELECT * FROM entries WHERE number = 3",
        "REPLACE INTO entries SELECT * FROM entries WHERE number = 3",
        "INSERT OR IGNORE INTO entries SELECT * FROM entries WHERE number = 3",
        """INSERT INTO entries SELECT * FROM entries WHERE number = 3
           ON CONFLICT (chain, number) DO UPDATE SET document = '{}'""",
        "UPDATE OR REPLACE entries SET number = 4 WHERE number = 3",
    ],
)
def test_entries_are_neither_changed_nor_removed_nor_replaced(path, statement):
    """The file itself refuses, whatever program tries, and says what to do instead."""
    made_register(path)
    before = rows_of(path)
    with closing(sqlite3.connect(path)) as other, pytest.raises(
        sqlite3.IntegrityError, match="the register is only added to: write an amendment"
    ):  # fmt: skip
        other.execute(statement)

    assert rows_of(path) == before


# ------------------------------------------------------------- changes behind the triggers


@pytest.mark.parametrize(
    ("statement", "named"),
    [
        ("UPDATE entries SET document = replace(document, '.697e-0', '.698e-0') WHERE number = 4",
         "entry 4 of chain"),
        ("UPDATE entries SET document = replace(document, 'loose', 'fixed') WHERE number = 5",
         "entry 5 of chain"),
        ("UPDATE entries SET unit = '0499' WHERE number = 2", "entry 2 of chain"),
        ("UPDATE entries SET unit = NULL WHERE number = 2", "entry 2 of chain"),
        ("UPDATE entries SET who = 'berta' WHERE number = 3", "entry 3 of chain"),
        ("UPDATE entries SET at = replace(at, '2030', '2031') WHERE number = 6",
         "entry 6 of chain"),
        ("UPDATE entries SET kind = 'note' WHERE number = 7", "entry 7 of chain"),
        ("UPDATE entries SET amends = 'x/1' WHERE number = 7", "entry 7 of chain"),
        ("UPDATE entries SET document = CAST(document AS BLOB) WHERE number = 7",
         "entry 7 of chain"),
        ("UPDATE entries SET hash = substr(hash, 2) || '0' WHERE number = 8", "entry 8 of chain"),
    ],
)  # fmt: skip
def test_one_changed_entry_is_named_and_no_other(path, statement, named):
    """A digit, a name, an empty name, a hash: the entry is named, and those after it are not."""
    made_register(path)
    with behind_the_triggers(path) as tool:
        assert tool.execute(statement).rowcount == 1
    found = faults(path).splitlines()

    assert len(found) == 1
    assert found[0].startswith(named)


def test_an_entry_whose_number_is_none_is_named(path):
    """A word as number, written by hand: the entry is out of place, and its number missing."""
    made_register(path)
    with behind_the_triggers(path) as tool:
        tool.execute("UPDATE entries SET number = 'three' WHERE number = 3")
    found = faults(path)

    assert re.search(r"entry 3 of chain \w+ is missing", found)
    assert re.search(r"an entry of chain \w+ has no valid number: run of visit 1, unit 0417", found)


def test_swapped_entries_are_named(path):
    """Two entries changed places, with their hashes."""
    made_register(path)
    with behind_the_triggers(path) as tool:
        for old, new in ((4, 1004), (6, 4), (1004, 6)):
            tool.execute("UPDATE entries SET number = ? WHERE number = ?", (new, old))
    named = set(re.findall(r"^entry (\d+)", faults(path), re.MULTILINE))

    assert named == {"4", "6"}


def test_an_entry_changed_with_its_hash_is_named_as_one_of_two(path):
    """Who knows how hashes are made can hide the change in the entry, but not in the next one."""
    made_register(path)
    with behind_the_triggers(path) as tool:
        tool.execute("UPDATE entries SET document = '{}' WHERE number = 5")
        (state,) = check_chains(tool)
        assert state.faults
        entry = next(one for one in read_all(RegisterFile(path)) if one.number == 5)
        before = next(one for one in read_all(RegisterFile(path)) if one.number == 4)
        from benchwatch.register.register_entry import entry_hash

        tool.execute(
            "UPDATE entries SET hash = ? WHERE number = 5", (entry_hash(before.hash, entry),)
        )

    assert "entry 6 of chain" in faults(path)
    assert "(or entry 5 together with its hash)" in faults(path)


def test_removed_entries_are_named(path):
    """One entry, and three in a row."""
    made_register(path)
    with behind_the_triggers(path) as tool:
        tool.execute("DELETE FROM entries WHERE number IN (5, 9, 10, 11)")
    found = faults(path)

    assert re.search(r"entry 5 of chain \w+ is missing", found)
    assert re.search(r"entries 9 to 11 of chain \w+ are missing", found)
    assert len(found.splitlines()) == 2


def test_an_end_that_was_cut_off_is_seen_by_a_head_written_elsewhere(path):
    """The chain that is left is sound; the head printed on a report is no longer in it."""
    made_register(path)
    (whole,) = checked(path)
    with behind_the_triggers(path) as tool:
        tool.execute("DELETE FROM entries WHERE number > 20")
    (cut,) = checked(path)
    with closing(sqlite3.connect(path)) as connection:
        found = has_head(connection, cut.head.upper() + "\n"), has_head(connection, whole.head)

    assert (cut.faults, cut.entries) == ((), 20)
    assert found == (True, False)


# ------------------------------------------------------------- machines


def test_a_register_copied_to_another_machine_goes_on_with_a_chain_of_its_own(tmp_path, path):
    """Both copies stay sound; the numbers of its visits go on, so that a number names one visit."""
    made_register(path, units=1, visits=2)
    copied = tmp_path / "copied.db"
    shutil.copy(path, copied)
    elsewhere = RegisterFile(copied, who="berta", machine="another")
    entries = elsewhere.add(visit_drafts("0417", 2e9))

    check_by_hand(copied)
    first, second = sorted(checked(copied), key=lambda state: state.entries, reverse=True)
    assert (first.entries, second.entries) == (13, 7)
    assert entries[0].kind == "chain"
    assert entries[-1].visit == f"{second.chain}/3"
    with closing(sqlite3.connect(copied)) as connection:
        assert own_chain(connection) == first.chain
        assert own_chain(connection, "another") == second.chain


def test_entries_of_two_chains_are_read_in_the_order_of_writing(path):
    """What two machines wrote of one unit in turns comes back by time, within a chain by number."""
    here, there = RegisterFile(path, machine="here"), RegisterFile(path, machine="there")
    for at_utc_s, register in ((10.0, here), (20.0, there), (30.0, here), (25.0, here)):
        document = {"description": f"stated at {at_utc_s}"}
        register.add([Draft(kind="unit", unit="0417", document=document, at_utc_s=at_utc_s)])
    late = RegisterFile(path, machine="there")
    late.add([Draft(kind="unit", unit="0417", document={"description": "old"}, at_utc_s=22.0)])
    with read_register(path) as reader:
        unit = reader.unit("0417")
        (same,) = reader.units()

    assert unit is not None
    assert unit.description == "stated at 25.0"  # its clock was set back, not its chain
    assert same == unit


def test_the_clock_dates_entries_and_the_account_signs_them(path):
    """A time in the draft goes over the clock's; the text is ISO 8601 in UTC."""
    register = RegisterFile(path, clock=StillClock(), who="anna")
    register.add([Draft(kind="note", document={}), Draft(kind="note", document={}, at_utc_s=0.5)])

    assert [(row["at"], row["who"]) for row in rows_of(path)[1:]] == [
        ("2031-05-04T10:20:20.500Z", "anna"),
        ("1970-01-01T00:00:00.500Z", "anna"),
    ]
