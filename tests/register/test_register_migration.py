"""Registers of another version: migrated with every entry, or refused in a sentence.

The next schema is a made-up one: the present steps, and one more.
"""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from journal_kit import check_sound
from program_kit import start_python
from register_kit import TRIGGERS, check_by_hand, made_register, rows_of

from benchwatch.errors import RegisterError
from benchwatch.register import register_schema
from benchwatch.register.chain_check import check_chains
from benchwatch.register.register_entry import Draft
from benchwatch.register.register_file import RegisterFile
from benchwatch.register.register_merge import merge_register
from benchwatch.register.register_reader import read_register

NOTE = Draft(kind="note", document={"text": "the lid was loose"})
PRESENT = register_schema.MIGRATIONS
NEXT = (*PRESENT, ("ALTER TABLE entries ADD COLUMN witness TEXT",
                   "CREATE INDEX entries_by_time ON entries (at)"))  # fmt: skip
"""A step that adds a column and an index."""
BROKEN = (*PRESENT, ("ALTER TABLE entries ADD COLUMN witness TEXT", "CREATE INDEX no SUCH THING"))
"""A step that fails in its middle."""

NEWER = """
import sys
from pathlib import Path
from benchwatch.register import register_schema
from benchwatch.register.register_entry import Draft
from benchwatch.register.register_file import RegisterFile
register_schema.MIGRATIONS = (*register_schema.MIGRATIONS, (
    "ALTER TABLE entries ADD COLUMN witness TEXT", "CREATE INDEX entries_by_time ON entries (at)",
))
for number in range(20):
    RegisterFile(Path(sys.argv[1])).add([Draft(kind="note", document={"text": str(number)})])
print("added")
"""
"""A program of the next version."""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return the path of a register of the present version."""
    made_register(tmp_path / "register.db")
    return tmp_path / "register.db"


def version(path: Path) -> int:
    """Return the schema version of a file."""
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute("PRAGMA user_version").fetchone()[0])


def test_the_next_version_migrates_a_register_with_every_entry(path, monkeypatch):
    """It reads the old file as it is, and migrates it with the first entry that it adds."""
    before = rows_of(path)
    monkeypatch.setattr(register_schema, "MIGRATIONS", NEXT)
    with read_register(path) as reader:
        visits = len(reader.visit_names())
    unchanged = version(path)
    RegisterFile(path).add([NOTE])

    assert (visits, unchanged, version(path)) == (6, 1, 2)
    assert rows_of(path)[:-1] == before
    check_by_hand(path)
    check_sound(path)
    with closing(sqlite3.connect(path)) as connection:
        triggers = connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        assert {name for (name,) in triggers} == set(TRIGGERS)
        with pytest.raises(sqlite3.IntegrityError, match="only added to"):
            connection.execute("UPDATE entries SET witness = 'berta'")


def test_a_new_register_of_the_next_version_has_all_steps(tmp_path, monkeypatch):
    """An empty file goes through the first step and the second."""
    monkeypatch.setattr(register_schema, "MIGRATIONS", NEXT)
    path = tmp_path / "new.db"
    RegisterFile(path).add([NOTE])

    assert version(path) == 2
    check_by_hand(path)


def test_two_programs_migrate_a_register_once(path):
    """Both begin at the same time; each entry of both is there."""
    before = len(rows_of(path))
    programs = [start_python(NEWER, str(path)) for _ in range(2)]

    assert [program.communicate() for program in programs] == [("added\n", "")] * 2
    assert version(path) == 2
    assert len(rows_of(path)) == before + 40
    check_by_hand(path)


def test_a_step_that_fails_leaves_the_register_as_it_was(path, monkeypatch):
    """No half of a step stays, and the program that knows the old version goes on."""
    before = rows_of(path)
    with monkeypatch.context() as patch:
        patch.setattr(register_schema, "MIGRATIONS", BROKEN)
        with pytest.raises(RegisterError, match="the register fails: near"):
            RegisterFile(path).add([NOTE])
    after = rows_of(path)
    RegisterFile(path).add([NOTE])

    assert (after, version(path)) == (before, 1)
    check_by_hand(path)


def test_an_older_program_says_that_it_is_too_old_and_changes_nothing(path, monkeypatch, tmp_path):
    """Reading, adding and merging refuse a register of the next version."""
    start_python(NEWER, str(path)).communicate()
    before = path.read_bytes()
    own = made_register(tmp_path / "own.db")
    for attempt in (
        lambda: RegisterFile(path).add([NOTE]),
        lambda: read_register(path).__enter__(),
        lambda: merge_register(own, path),
        lambda: merge_register(RegisterFile(path), own.path),
    ):
        with pytest.raises(RegisterError) as caught:
            attempt()

        assert str(caught.value) == (
            f"the register {path} was written by a newer Benchwatch (schema 2; this one knows 1). "
            "Update Benchwatch."
        )
    assert path.read_bytes() == before


def test_registers_of_two_versions_merge(path, tmp_path, monkeypatch):
    """The newer program takes over an older register, which stays as it is."""
    monkeypatch.setattr(register_schema, "MIGRATIONS", NEXT)
    newer = RegisterFile(tmp_path / "newer.db", machine="another")
    newer.add([NOTE])
    merged = merge_register(newer, path)

    assert (merged.entries, merged.visits, version(path)) == (37, 6, 1)
    check_by_hand(newer.path)
    with closing(sqlite3.connect(newer.path)) as connection:
        assert [state.faults for state in check_chains(connection)] == [(), ()]
