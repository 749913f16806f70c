"""Moving runs to an archive while another program reads the journal."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from journal_kit import ask
from shipping_kit import UTC_S, WrittenRun

from benchwatch.journal import Journal, archive
from benchwatch.journal.archive import archive as move

TABLES = ("readings", "gaps", "marks", "records", "notes")


def numbers(path: Path) -> list[int]:
    """Return the numbers of all events, of whatever kind."""
    return sorted(n for table in TABLES for (n,) in ask(path, f"SELECT number FROM {table}"))


def test_a_run_that_is_moved_is_whole_up_to_some_number(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A program that sends it would claim to have sent all up to the last number it finds."""
    path, into = tmp_path / "journal.db", tmp_path / "old.db"
    with closing(Journal(path)) as journal:
        run = WrittenRun(journal)
        run.write(350)
        run.end()
    found: list[list[int]] = []
    monkeypatch.setattr(archive, "ROWS_AT_ONCE", 60)
    monkeypatch.setattr(archive.time, "sleep", lambda _s: found.append(numbers(path)))
    done = move(path, into, UTC_S + 1000.0)

    assert len(found) >= 5
    assert all(left == list(range(1, len(left) + 1)) for left in found)
    assert (done.runs, done.events) == (1, 350)
    assert numbers(path) == []
    assert numbers(into) == list(range(1, 351))
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT count(*) FROM runs").fetchone() == (0,)
