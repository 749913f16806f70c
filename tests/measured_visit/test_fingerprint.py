"""The fingerprint of the readings, also computed by plain SQLite, struct and hashlib."""

import hashlib
import sqlite3
import struct
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import pytest
from report_kit import MadeVisit, bad_visit, empty_visit, good_visit

from benchwatch.journal.archive import archive
from benchwatch.measured_visit.fingerprint import fingerprint_of
from benchwatch.measured_visit.visit_reader import read_measured_visit

INSERTED = """INSERT INTO readings
    SELECT run, 90000, utc_s, elapsed_s, gate_s, text, 0.1, flags
    FROM readings WHERE number = 1600"""
ABSENT = bytes.fromhex("7ff8000000000000")


def by_hand(visit: MadeVisit, journals: Sequence[Path], last: dict[int, int] | None = None) -> str:
    """Compute the fingerprint from what the manual says of it, without the product's code."""
    with closing(sqlite3.connect(visit.register)) as register:
        keys = [
            key
            for (key,) in register.execute(
                "SELECT json_extract(document, '$.run') FROM entries "
                "WHERE kind = 'run' AND visit = ? ORDER BY number",
                (visit.name,),
            )
        ]
    whole = hashlib.sha256()
    for key in dict.fromkeys(keys):
        rows = []
        for path in journals:
            with closing(sqlite3.connect(path)) as journal:
                rows += journal.execute(
                    "SELECT number, utc_s, elapsed_s, gate_s, resolution_hz, text, flags "
                    "FROM readings WHERE run = ? ORDER BY number",
                    (key,),
                ).fetchall()
        data = b""
        for number, utc_s, elapsed_s, gate_s, resolution_hz, text, flags in rows:
            if last is not None and number > last.get(key, -1):
                continue
            gate = (
                bytes.fromhex("7ff8000000000000") if gate_s is None else struct.pack(">d", gate_s)
            )
            data += struct.pack(">q", number) + struct.pack(">d", utc_s)
            data += struct.pack(">d", elapsed_s) + gate + struct.pack(">d", resolution_hz)
            data += struct.pack(">I", len(text.encode())) + struct.pack(">I", len(flags.encode()))
            data += text.encode() + flags.encode()
        if data:
            whole.update(struct.pack(">q", key) + hashlib.sha256(data).digest())
    return whole.hexdigest()


def sha256_of(visit: MadeVisit) -> str:
    """Return the fingerprint as the product computes it now."""
    found = fingerprint_of(visit.visit, visit.folder)
    assert found is not None
    return found.sha256


def change(visit: MadeVisit, statement: str) -> None:
    """Change the journal as anybody with an SQLite tool can."""
    with closing(sqlite3.connect(visit.journal)) as journal, journal:
        assert journal.execute(statement).rowcount > 0


@pytest.fixture
def visit(tmp_path: Path) -> MadeVisit:
    """Return a visit of two runs."""
    return good_visit(tmp_path / "bench")


def test_another_program_computes_the_same(visit: MadeVisit):
    """By the description alone."""
    with closing(sqlite3.connect(visit.journal)) as journal:
        ((rows,),) = journal.execute("SELECT count(*) FROM readings").fetchall()
    found = fingerprint_of(visit.visit, visit.folder)

    assert found is not None
    assert found.sha256 == by_hand(visit, [visit.journal])
    assert found.readings == rows
    assert len(found.last_numbers) == 2


def test_the_reader_of_a_visit_computes_the_same(visit: MadeVisit):
    """In the same pass in which it reads the offsets."""
    measured = read_measured_visit(visit.visit, visit.folder)

    assert measured.fingerprint == fingerprint_of(visit.visit, visit.folder)


def test_a_reading_without_a_gate(visit: MadeVisit):
    """An absent gate has bytes of its own."""
    before = sha256_of(visit)
    change(visit, "UPDATE readings SET gate_s = NULL WHERE number % 3 = 0")

    assert sha256_of(visit) == by_hand(visit, [visit.journal])
    assert sha256_of(visit) != before


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE readings SET text = replace(text, '.36', '.37') WHERE number = 350",
        "UPDATE readings SET flags = 'repeat' WHERE number = 700",
        "UPDATE readings SET utc_s = utc_s + 0.001 WHERE number = 700",
        "UPDATE readings SET number = -number WHERE number = 5",
        "DELETE FROM readings WHERE number = 1600",
        INSERTED,
    ],
)
def test_any_change_of_a_reading_is_seen(visit: MadeVisit, statement: str):
    """One digit, flag or time, a reading that is removed, moved or added."""
    before = sha256_of(visit)
    change(visit, statement)

    assert sha256_of(visit) != before


def test_other_entries_do_not_count(visit: MadeVisit):
    """Notes and the end of a run are no readings."""
    before = sha256_of(visit)
    change(visit, "UPDATE notes SET document = '{}'")
    change(visit, "UPDATE runs SET end_reason = 'ended', watch = 1")

    assert sha256_of(visit) == before


def test_an_archive_changes_nothing(visit: MadeVisit):
    """The runs are found in another journal of the folder, all of them or some."""
    before = sha256_of(visit)
    halfway = visit.visit.runs[1].at_utc_s - 3600.0
    first = archive(visit.journal, visit.folder / "old.db", halfway)

    assert first.runs == 1
    assert sha256_of(visit) == before
    second = archive(visit.journal, visit.folder / "older.db", halfway + 1e6)
    assert second.runs == 1
    assert sha256_of(visit) == before


def test_runs_that_were_merged_into_another_journal(visit: MadeVisit, tmp_path: Path):
    """By the program, from a journal that another machine wrote; numbers of runs change."""
    other = bad_visit(tmp_path / "elsewhere")
    before = sha256_of(visit)
    archive(visit.journal, other.journal, visit.visit.runs[1].at_utc_s + 1e6)
    visit.journal.unlink()
    moved = other.journal.rename(visit.journal)

    assert sha256_of(visit) == before == by_hand(visit, [moved])


def test_readings_that_come_later_do_not_count_up_to_a_number(visit: MadeVisit):
    """An earlier fingerprint can be computed again from its last numbers."""
    before = fingerprint_of(visit.visit, visit.folder)
    assert before is not None
    later = dict(before.last_numbers) | {before.last_numbers[1][0]: 800}
    again = fingerprint_of(visit.visit, visit.folder, later)
    change(visit, "DELETE FROM readings WHERE number > 900")

    assert again is not None
    assert again.sha256 == by_hand(visit, [visit.journal], later) != before.sha256
    assert fingerprint_of(visit.visit, visit.folder, later) == again


def test_a_run_that_is_gone_is_seen_in_the_keys(visit: MadeVisit):
    """Whoever compares can tell a lost run from a changed one."""
    before = fingerprint_of(visit.visit, visit.folder)
    assert before is not None
    archive(visit.journal, visit.folder.parent / "away.db", visit.visit.runs[1].at_utc_s - 3600.0)
    now = fingerprint_of(visit.visit, visit.folder, dict(before.last_numbers))

    assert now is not None
    assert now.last_numbers == before.last_numbers[1:]


def test_no_reading_has_no_fingerprint(tmp_path: Path):
    """Nothing was read, or no journal is there."""
    empty = empty_visit(tmp_path)

    assert fingerprint_of(empty.visit, empty.folder) is None
    assert fingerprint_of(empty.visit, tmp_path / "nowhere") is None
