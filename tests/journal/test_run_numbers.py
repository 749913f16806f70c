"""The numbers of runs: small, stable, never given twice in a file, kept in others where free."""

import contextlib
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from journal_kit import ask, read_runs
from load_kit import wait_until
from pipeline_kit import RUN, START_UTC_S, StillClock, reading
from program_kit import start_python

from benchwatch.journal import Journal
from benchwatch.journal.archive import archive
from benchwatch.journal.journal_reader import JournalReader
from benchwatch.journal.recovery import recover
from benchwatch.journal.run_list import list_runs
from benchwatch.journal.run_numbers import keep_counts
from benchwatch.journal.schema import APPLICATION_ID, MIGRATIONS, JournalRun
from benchwatch.journal.writer import RETRY_S

DAY_S = 86_400.0
NUMBERS = "SELECT run, number FROM run_numbers ORDER BY number"
MANY_RUNS = """
import sys
from dataclasses import replace
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from load_kit import wait_until
from pipeline_kit import RUN
from benchwatch.journal import Journal, new_key
journal = Journal(Path(sys.argv[1]))
for number in range(int(sys.argv[3])):
    run = replace(RUN, key=new_key(RUN.started_utc_s + number))
    journal.save_run(run)
    journal.save_run(replace(run, identity="again"))
journal.close()
"""
"""Saves as many runs as the third argument says, each twice."""


def key(number: int) -> int:
    """Return a key of a size that keys have."""
    return (1_900_000_000_000 + number) << 20


def run(number: int, **changed: object) -> JournalRun:
    """Return a made run; later numbers start later, a day apart."""
    start = START_UTC_S + number * DAY_S
    made = replace(RUN, key=key(number), watch=key(number), started_utc_s=start)
    return replace(made, **changed)  # type: ignore[arg-type]


def written(path: Path, *runs: JournalRun, readings: int = 3) -> Path:
    """Write a journal with `runs`, each with so many readings, and close it."""
    journal = Journal(path)
    for one in runs:
        journal.save_run(one)
        for number in range(readings):
            journal.write(one.key, reading(number))
    journal.close()
    return path


def numbers(path: Path) -> dict[int, int]:
    """Return the number of each run in the journal, by key, as plain SQLite reads it."""
    return dict(ask(path, NUMBERS))


def early_journal(path: Path, version: int, *keys: int) -> Path:
    """Make a journal of an earlier schema with a run and a reading for each of `keys`."""
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as early:
        for step in MIGRATIONS[:version]:
            early.executescript(step)
        for one in keys:
            early.execute(
                "INSERT INTO runs VALUES (?, ?, 'main', 'made', 'scpi', ?, '10000000', '', "
                "'external', 1.0, '{}', NULL, '')",
                (one, one, START_UTC_S),
            )
            early.execute(
                "INSERT INTO readings VALUES (?, 1, ?, 1.0, 1.0, '10000000.1', 0.1, '')",
                (one, START_UTC_S),
            )
        early.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        early.execute(f"PRAGMA user_version = {version}")
    return path


def test_runs_are_numbered_from_1_without_holes(tmp_path):
    """Saving a run again, as when its identity is known, uses up no number."""
    path = tmp_path / "journal.db"
    journal = Journal(path)
    for number in range(3):
        for identity in ("", "a counter", "a counter"):
            journal.save_run(run(number, identity=identity))
    journal.close()

    assert numbers(path) == {key(0): 1, key(1): 2, key(2): 3}
    assert [one.number for one in read_runs(path)] == [1, 2, 3]


def test_programs_that_write_at_once_never_share_a_number(tmp_path):
    """Three processes save 40 runs each in one journal; every number is given once."""
    path = tmp_path / "journal.db"
    Journal(path).close()
    kits = str(Path(__file__).parents[1] / "kits")
    programs = [start_python(MANY_RUNS, str(path), kits, "40") for _ in range(3)]
    said = [program.communicate(timeout=100) for program in programs]

    assert said == [("", "")] * 3
    assert sorted(numbers(path).values()) == list(range(1, 121))


def test_killed_programs_leave_no_run_without_a_number_nor_one_twice(tmp_path):
    """Three processes are killed while they save runs: every run has one number, without holes."""
    path = tmp_path / "journal.db"
    Journal(path).close()
    kits = str(Path(__file__).parents[1] / "kits")
    programs = [start_python(MANY_RUNS, str(path), kits, "1000000") for _ in range(3)]
    for number, program in enumerate(programs, start=1):
        assert wait_until(
            lambda least=30 * number: ask(path, "SELECT count(*) FROM runs")[0][0] >= least
        )
        program.kill()
        program.communicate(timeout=60)
    runs = {one for (one,) in ask(path, "SELECT run FROM runs")}
    given = numbers(path)

    assert set(given) == runs
    assert sorted(given.values()) == list(range(1, len(runs) + 1))


@pytest.mark.parametrize("version", [1, 2, 3])
def test_an_early_journal_is_numbered_in_the_order_of_its_keys(tmp_path, version):
    """Opened for reading it stays as it is; opened for writing it is given the same numbers."""
    path = early_journal(tmp_path / "journal.db", version, key(3), key(1), key(2))
    read = {one.key: one.number for one in read_runs(path)}
    before = ask(path, "PRAGMA user_version")
    Journal(path).close()

    assert read == {key(1): 1, key(2): 2, key(3): 3}
    assert before == [(version,)]
    assert ask(path, "PRAGMA user_version") == [(len(MIGRATIONS),)]
    assert numbers(path) == read
    assert [one.readings for one in list_runs(path, START_UTC_S)] == [1, 1, 1]


def test_a_run_that_an_older_program_wrote_is_numbered_when_the_file_is_next_opened(tmp_path):
    """An older program that had the file open when it was migrated numbers nothing."""
    path = written(tmp_path / "journal.db", run(0))
    with contextlib.closing(sqlite3.connect(path)) as older, older:
        older.execute(
            "INSERT INTO runs SELECT ?, watch, counter, resource, driver, started_utc_s + 1, "
            "nominal_hz, identity, time_base, gate_s, settings, NULL, '' FROM runs",
            (key(5),),
        )
    read = [one.number for one in read_runs(path)]
    Journal(path).close()

    assert read == [1, 2]
    assert numbers(path) == {key(0): 1, key(5): 2}


def test_an_archived_run_keeps_its_number_and_leaves_it_to_no_other(tmp_path):
    """The archive numbers it as the journal did; the next run of the journal gets a new number."""
    path = tmp_path / "journal.db"
    written(path, *(run(n, ended_utc_s=START_UTC_S + n * DAY_S + 9) for n in range(3)))
    archive(path, tmp_path / "old.db", START_UTC_S + 1.5 * DAY_S)
    written(path, run(7))

    assert {one.key: one.number for one in read_runs(path)} == {key(2): 3, key(7): 4}
    assert {one.key: one.number for one in read_runs(tmp_path / "old.db")} == {key(0): 1, key(1): 2}
    assert [one.readings for one in list_runs(tmp_path / "old.db", START_UTC_S)] == [3, 3]


def merged(path: Path, source: Path) -> None:
    """Merge `source` into the journal at `path`."""
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as target:
        recover(source, target)


def test_a_merged_run_gets_its_old_number_back(tmp_path):
    """An archive put back gives every run the number that it had in the journal."""
    path = tmp_path / "journal.db"
    written(path, *(run(n, ended_utc_s=START_UTC_S + n * DAY_S + 9) for n in range(3)))
    archive(path, tmp_path / "old.db", START_UTC_S + 1.5 * DAY_S)
    written(path, run(7))
    merged(path, tmp_path / "old.db")

    assert {one.key: one.number for one in read_runs(path)} == {
        key(0): 1, key(1): 2, key(2): 3, key(7): 4,
    }  # fmt: skip


def test_a_merged_run_whose_number_is_taken_gets_a_new_one(tmp_path):
    """Two journals that each had a run 1: none is lost, and no number is there twice."""
    path = written(tmp_path / "journal.db", run(5), run(6))
    other = written(tmp_path / "other.db", run(1), run(2), run(3))
    merged(path, other)
    given = {one.key: one.number for one in read_runs(path)}

    assert given[key(5)] == 1
    assert given[key(6)] == 2
    assert given[key(3)] == 3
    assert sorted(given.values()) == [1, 2, 3, 4, 5]


def test_a_hostile_number_is_not_merged(tmp_path):
    """A number near SQLite's largest would leave none for the next run."""
    path = written(tmp_path / "journal.db", run(5))
    other = written(tmp_path / "other.db", run(1))
    with contextlib.closing(sqlite3.connect(other)) as odd, odd:
        odd.execute("UPDATE run_numbers SET number = 9223372036854775807")
    merged(path, other)
    written(path, run(8))

    assert numbers(path) == {key(5): 1, key(1): 2, key(8): 3}


@pytest.mark.parametrize("where", [0.45, 0.7])
def test_runs_of_a_damaged_journal_keep_their_numbers(tmp_path, where):
    """The run that goes on in the new file and those carried over have the numbers they had."""
    path = written(tmp_path / "journal.db", *(run(n) for n in range(5)), readings=400)
    before = numbers(path)
    content = bytearray(path.read_bytes())
    at = int(len(content) * where) // 4096 * 4096
    content[at : at + 4096] = b"\xa5" * 4096
    path.write_bytes(content)
    journal = Journal(path, exclusive=True)
    journal._damaged = (path.stat().st_dev, path.stat().st_ino)
    journal._file.close()  # type: ignore[union-attr]
    journal._open()
    journal.save_run(run(9))
    assert journal._recovery is not None
    journal._recovery._thread.join(30.0)
    journal.close()

    after = {one.key: one.number for one in read_runs(path)}
    assert {one: after[one] for one in before if one in after} == {
        one: number for one, number in before.items() if one in after
    }
    assert after[key(9)] == 6
    assert len(after) == 6


def test_numbers_are_found_in_the_pages_of_a_file_that_sqlite_cannot_read(tmp_path):
    """Without the first page the rows are read one by one, and the runs keep their numbers."""
    path = written(tmp_path / "journal.db", *(run(n) for n in (4, 2, 3)))
    content = path.read_bytes()
    path.write_bytes(b"\xa5" * 4096 + content[4096:])
    target = written(tmp_path / "new.db", run(9))
    with contextlib.closing(sqlite3.connect(target, isolation_level=None)) as fresh:
        fresh.execute("UPDATE run_numbers SET number = 50")
    merged(target, path)

    assert {one.key: one.number for one in read_runs(target)} == {
        key(4): 1, key(2): 2, key(3): 3, key(9): 50,
    }  # fmt: skip


def test_what_is_written_elsewhere_keeps_the_number(tmp_path):
    """A run that reached the journal keeps its number in the file beside it."""
    path = written(tmp_path / "journal.db", run(0), run(1))
    clock = StillClock()
    journal = Journal(path, clock=clock)
    journal.save_run(run(2))
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        journal.write(run(2).key, reading(1))
        clock.now_s += 2 * RETRY_S
        with contextlib.suppress(Exception):
            journal.close()
        other.execute("ROLLBACK")
    (left,) = tmp_path.glob("journal-left-*.db")

    assert {one.key: one.number for one in read_runs(left)} == {key(2): 3}


def test_a_journal_that_was_moved_away_is_begun_with_the_same_number(tmp_path):
    """The run goes on in a new file under the number that it had in the moved one."""
    path = written(tmp_path / "journal.db", run(0), run(1))
    clock = StillClock()
    journal = Journal(path, clock=clock)
    journal.save_run(run(2))
    path.rename(tmp_path / "moved.db")
    for _ in range(3):
        clock.now_s += 10.0
        journal.write(run(2).key, reading(1))
    journal.close()

    assert numbers(path) == {key(2): 3}


def counted(path: Path) -> list[int]:
    """Return the readings of each run as a list of runs gives them."""
    return [one.readings for one in list_runs(path, START_UTC_S)]


def rows_read(path: Path, count: Callable[[JournalReader], object]) -> int:
    """Return how many steps SQLite's machine takes for `count`, in thousands."""
    steps = 0

    def step() -> int:
        nonlocal steps
        steps += 1
        return 0

    with JournalReader(path) as journal:
        journal._connection.set_progress_handler(step, 1000)
        count(journal)
    return steps


def test_readings_of_ended_runs_are_not_counted_again(tmp_path):
    """The count is kept when a watch ends; rows added later are counted in, or it is forgotten."""
    path = written(tmp_path / "journal.db", run(0), readings=5000)
    kept_steps = rows_read(path, lambda journal: journal.count_readings(journal.runs()[0]))
    with contextlib.closing(sqlite3.connect(path)) as other, other:
        other.execute("DELETE FROM run_counts")
    all_steps = rows_read(path, lambda journal: journal.count_readings(journal.runs()[0]))

    assert counted(path) == [5000]
    assert kept_steps < all_steps / 3


def test_counting_is_given_up_on_a_slow_disk(tmp_path):
    """Closing a journal waits no longer than it may; the list of runs then counts by itself."""
    path = written(tmp_path / "journal.db", run(0), readings=30_000)
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("DELETE FROM run_counts")
        with pytest.raises(sqlite3.OperationalError, match="interrupted"):
            keep_counts(connection, [run(0).key], 0.0)
        connection.execute("SELECT count(*) FROM readings").fetchone()

    assert ask(path, "SELECT count(*) FROM run_counts") == [(0,)]
    assert counted(path) == [30_000]


def test_readings_written_after_the_count_are_counted(tmp_path):
    """Later readings are added, and rows merged in between are not missed."""
    path = written(tmp_path / "journal.db", run(0), readings=5)
    more = written(tmp_path / "more.db", run(0), readings=9)
    with contextlib.closing(sqlite3.connect(path)) as other, other:
        other.execute("DELETE FROM readings WHERE number = 2")
        other.execute("UPDATE run_counts SET readings = 4")
    before = counted(path)
    merged(path, more)

    assert before == [4]
    assert counted(path) == [9]
