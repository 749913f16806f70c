"""Registers of several machines in one file: entries as they are, none twice, no fork."""

import re
import shutil
from pathlib import Path

import pytest
from register_kit import behind_the_triggers, check_by_hand, made_register, rows_of, visit_drafts

from benchwatch.errors import RegisterError, UsageError
from benchwatch.register.register_entry import Draft
from benchwatch.register.register_file import RegisterFile
from benchwatch.register.register_merge import Merged, merge_register
from benchwatch.register.register_reader import read_register

NOTE = Draft(kind="note", document={"text": "the lid was loose"})


@pytest.fixture
def here(tmp_path: Path) -> RegisterFile:
    """Return the register of this machine, with six visits."""
    return made_register(tmp_path / "here.db", machine="here")


@pytest.fixture
def there(tmp_path: Path) -> RegisterFile:
    """Return the register of another machine, with two visits of units that both know."""
    return made_register(tmp_path / "there.db", units=2, visits=1, machine="there")


def test_entries_of_another_machine_are_copied_as_they_are(here, there):
    """Both chains are sound afterwards; the source is unchanged; a second time adds nothing."""
    before, source = rows_of(here.path), rows_of(there.path)
    first, second = merge_register(here, there.path), merge_register(here, there.path)
    (added,) = here.add([NOTE])

    assert first == Merged(entries=13, there=0, visits=2)
    assert second == Merged(entries=0, there=13, visits=0)
    assert rows_of(there.path) == source
    check_by_hand(here.path)
    rows = rows_of(here.path)
    assert all(row in rows for row in (*before, *source))
    assert (added.chain, added.number) == (before[0]["chain"], len(before) + 1)


def test_the_visits_of_a_unit_on_two_machines_stand_in_one_list(here, there):
    """In the order of their opening, each under its own name."""
    there.add(visit_drafts("0417", 1.95e9))
    merge_register(here, there.path)
    with read_register(here.path) as reader:
        visits = reader.visits_of("0417")
        opened = [visit.opened_utc_s for visit in visits]

    assert len(visits) == 2 + 1 + 1
    assert opened == sorted(opened)
    assert len({visit.name for visit in visits}) == 4


def test_what_was_written_since_the_last_time_is_added(here, there):
    """The other machine goes on, and its register is merged again."""
    merge_register(here, there.path)
    there.add(visit_drafts("0418", 1.96e9))
    merged = merge_register(here, there.path)

    assert merged == Merged(entries=6, there=13, visits=1)
    check_by_hand(here.path)


def test_a_register_that_is_not_there_is_made(there, tmp_path):
    """Merging into nothing makes a copy, in which this machine begins a chain of its own."""
    new = RegisterFile(tmp_path / "new.db", machine="new")
    merge_register(new, there.path)
    entries = new.add([NOTE])

    check_by_hand(new.path)
    assert [entry.kind for entry in entries] == ["chain", "note"]
    assert len(rows_of(new.path)) == 13 + 2


def test_a_copy_that_was_written_apart_is_refused(here, tmp_path):
    """One chain with two ends: the entry is named, and nothing is taken over."""
    copied = tmp_path / "copied.db"
    shutil.copy(here.path, copied)
    here.add([NOTE])
    RegisterFile(copied, machine="here").add([Draft(kind="note", document={"text": "another"})])
    before = rows_of(here.path)
    with pytest.raises(RegisterError, match=r"different entries 38 of chain \w+: one is a copy"):
        merge_register(here, copied)

    assert rows_of(here.path) == before


def test_a_register_with_a_changed_entry_is_refused(here, there):
    """The changed entry is named; nothing of the rest is taken over."""
    with behind_the_triggers(there.path) as tool:
        tool.execute("UPDATE entries SET unit = '0499' WHERE number = 3")
    before = rows_of(here.path)
    with pytest.raises(RegisterError) as caught:
        merge_register(here, there.path)

    assert re.search(r"there\.db is not sound: entry 3 of chain \w+ was changed", str(caught.value))
    assert "Nothing was taken over." in str(caught.value)
    assert rows_of(here.path) == before


def test_files_that_can_not_be_merged_are_sentences(here, tmp_path):
    """No file, the register itself (by another name too), an empty file, a table."""
    empty, table, link = tmp_path / "empty.db", tmp_path / "table.db", tmp_path / "link.db"
    empty.write_bytes(b"")
    table.write_text("time_s,frequency_hz\n" * 40)
    link.symlink_to(here.path)
    before = rows_of(here.path)
    for source, words in (
        (tmp_path / "none.db", "there is no file"),
        (tmp_path, "there is no file"),
        (here.path, "is the register itself: give another file"),
        (link, "is the register itself: give another file"),
        (empty, "is empty: there is nothing to take over"),
        (table, "is damaged, or is no register"),
    ):
        with pytest.raises((UsageError, RegisterError), match=words):
            merge_register(here, source)

    assert rows_of(here.path) == before


def test_visits_of_simulated_benches_are_not_mixed_with_real_ones(tmp_path):
    """Refused both ways, with the option that is meant; what a simulated watch left over too."""
    real = made_register(tmp_path / "register.db", units=1, visits=1)
    simulated = made_register(tmp_path / "register-simulated.db", units=1, visits=1, machine="x")
    left = made_register(tmp_path / "register-simulated-left-20310504T102020Z.db", machine="y")
    left.path.rename(tmp_path / "renamed.db")
    before = rows_of(real.path), rows_of(simulated.path)
    for register, source, words in (
        (real, simulated.path, "visits of simulated benches, .* with real ones: merge it with"),
        (simulated, real.path, "visits of real benches, .* simulated ones: merge it without"),
        (real, tmp_path / "renamed.db", "visits of simulated benches"),
    ):
        with pytest.raises(RegisterError, match=words):
            merge_register(register, source)

    assert (rows_of(real.path), rows_of(simulated.path)) == before
    assert merge_register(simulated, tmp_path / "renamed.db").visits == 6
