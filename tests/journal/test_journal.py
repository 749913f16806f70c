"""The journal: each reading exactly once on disk, whatever happens to disk and process."""

import contextlib
import os
import shutil
import signal
import sqlite3
import threading
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
from journal_kit import copy, read_events, read_runs
from load_kit import wait_until
from pipeline_kit import RUN, START_UTC_S, StillClock, reading
from program_kit import start_python

from benchwatch.errors import FileError, JournalError
from benchwatch.journal import Journal, default_path, new_key
from benchwatch.journal.schema import APPLICATION_ID, JournalRun, settings_text
from benchwatch.journal.writer import RETRY_S, SYNC_S
from benchwatch.reading import OVERRANGE, Gap, Mark

KITS = Path(__file__).parents[1] / "kits"


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Set data and state folders of the test's own."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return the path of a new journal."""
    return tmp_path / "journal.db"


def numbers(path: Path, run: JournalRun = RUN) -> list[float]:
    """Return the times of the readings of `run`, by which they are recognised."""
    return [event.elapsed_s for event in read_events(path, run)]


@contextlib.contextmanager
def locked(path: Path):
    """Hold the write lock as another program would."""
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    try:
        yield
    finally:
        other.execute("ROLLBACK")
        other.close()


class Limited:
    """Lets a journal's file grow by a few pages only, as on a full disk."""

    def __init__(self, journal: Journal) -> None:
        assert journal._file is not None
        self._connection = journal._file.connection
        pages = self._connection.execute("PRAGMA page_count").fetchone()[0]
        self._connection.execute(f"PRAGMA max_page_count = {pages + 1}")

    def free(self) -> None:
        """Remove the limit."""
        assert self._connection is not None
        self._connection.execute("PRAGMA max_page_count = 1000000")


# ------------------------------------------------------------- round trip


def test_a_run_and_its_events_come_back_as_they_were_written(path):
    """Run, readings, gap and mark are read in order, with the exact text."""
    events = [
        reading(1, "10000000.02310000000000001"),
        Gap(
            counter="main",
            utc_s=START_UTC_S + 2,
            elapsed_s=2.0,
            lasted_s=6.2,
            reason="no reply within 2.5 s",
        ),
        Mark(counter="main", utc_s=START_UTC_S + 9, elapsed_s=9.0, text="cover off"),
        reading(10, flags=frozenset({"repeat", "internal-timebase"})),
    ]
    run = replace(RUN, identity="SIMULATED,BENCH COUNTER", settings=settings_text(tolerance=5e-9))
    journal = Journal(path)
    journal.save_run(run)
    for event in events:
        journal.write(run.key, event)
    journal.close()

    assert read_runs(path) == [run]
    assert list(read_events(path, run)) == events


def test_overrange_comes_back_as_overrange(path):
    """A reading without a value keeps its flag, and its values are nan."""
    journal = Journal(path)
    journal.save_run(RUN)
    journal.write(RUN.key, replace(reading(1), text="", flags=frozenset({OVERRANGE})))
    journal.close()

    (event,) = read_events(path, RUN)
    assert event.flags == {OVERRANGE}
    assert event.offset != event.offset


def test_hostile_text_is_kept_and_harmless(path):
    """Quotes, escapes and lone surrogates neither break the file nor lose the event."""
    text = "'); DROP TABLE runs; -- \x1b[2J \ud800 \x00"
    journal = Journal(path)
    journal.save_run(RUN)
    journal.write(
        RUN.key, Gap(counter="main", utc_s=START_UTC_S, elapsed_s=0.0, lasted_s=1.0, reason=text)
    )
    journal.close()

    (gap,) = read_events(path, RUN)
    assert gap.reason == text.replace("\ud800", "?")


def test_a_run_is_on_disk_from_its_start(path):
    """Later values, such as the nominal, replace the first ones; the end is null."""
    journal = Journal(path)
    journal.save_run(replace(RUN, nominal_hz=None))
    journal.save_run(replace(RUN, nominal_hz=Decimal("10E6"), identity="late"))

    (run,) = read_runs(path)
    journal.close()
    assert (run.nominal_hz, run.identity, run.ended_utc_s) == (10_000_000, "late", None)


def test_keys_of_runs_differ_and_sort_by_time():
    """Programs that start in the same millisecond have different keys."""
    keys = {new_key(START_UTC_S) for _ in range(100)}

    assert len(keys) > 95
    assert max(keys) < new_key(START_UTC_S + 1) < 2**63


# ------------------------------------------------------------- killed, shared


WRITER = """
import sys
from pathlib import Path
from pipeline_kit import RUN, reading
from benchwatch.journal import Journal
journal = Journal(Path(sys.argv[1]))
journal.save_run(RUN)
number = 0
while True:
    number += 1
    journal.write(RUN.key, reading(number))
    print(number, flush=True)
"""


@pytest.mark.parametrize("readings", [1, 40, 700])
def test_a_killed_program_loses_no_reading_that_it_had_taken(path, readings, monkeypatch):
    """After SIGKILL at any time all readings reported as written are there, once, in order."""
    monkeypatch.setenv("PYTHONPATH", str(KITS))
    child = start_python(WRITER, str(path))
    assert child.stdout is not None
    reported = 0
    for line in child.stdout:
        reported = int(line)
        if reported == readings:
            os.kill(child.pid, signal.SIGKILL)
    child.communicate()

    found = numbers(path)
    assert found == [float(n) for n in range(1, len(found) + 1)]
    assert reported <= len(found) <= reported + 1


def test_two_programs_on_one_journal(path):
    """Two journals write to one file at once, and each run is whole."""
    runs = [replace(RUN, key=key, counter=name) for key, name in ((1, "ten"), (2, "five"))]
    journals = [Journal(path), Journal(path)]

    def write(journal: Journal, run: JournalRun) -> None:
        journal.save_run(run)
        for number in range(300):
            journal.write(run.key, reading(number))
        journal.close()

    threads = [
        threading.Thread(target=write, args=pair) for pair in zip(journals, runs, strict=True)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert [numbers(path, run) for run in runs] == [[float(n) for n in range(300)]] * 2


def test_readings_before_the_last_sync_survive_a_power_cut(path, tmp_path):
    """The main file has them, as if the log beside it had never reached the disk."""
    clock = StillClock()
    journal = Journal(path, clock=clock)
    journal.save_run(RUN)
    for number in range(1, 4):
        journal.write(RUN.key, reading(number))
    # SQLite leaves pages in the log that the check for damage may still read.
    assert wait_until(lambda: all(one.name != "checking" for one in threading.enumerate()))
    clock.now_s += SYNC_S
    journal.write(RUN.key, reading(4))
    left = tmp_path / "after" / "journal.db"
    left.parent.mkdir()
    copy(path, left)
    journal.close()

    assert numbers(left) == [1.0, 2.0, 3.0, 4.0]


# ------------------------------------------------------------- faults while running


def test_readings_wait_while_another_program_holds_the_lock(path):
    """While locked `trouble` reports it; afterwards each reading is there exactly once."""
    clock = StillClock()
    journal = Journal(path, clock=clock)
    journal.save_run(RUN)
    journal.write(RUN.key, reading(1))
    with locked(path):
        for number in (2, 3):
            journal.write(RUN.key, reading(number))
            clock.now_s += RETRY_S
        trouble = journal.trouble
    journal.write(RUN.key, reading(4))

    assert "locked by another program" in str(trouble)
    assert journal.trouble is None
    assert numbers(path) == [1.0, 2.0, 3.0, 4.0]
    journal.close()


def test_a_locked_journal_is_not_tried_at_every_reading(path):
    """While locked, a reading waits for the lock at most once a second."""
    clock = StillClock()
    journal = Journal(path, clock=clock)
    journal.save_run(RUN)
    tries = []
    with locked(path):
        journal.write(RUN.key, reading(1))
        assert journal._file is not None
        journal._file.connection.set_trace_callback(tries.append)
        for number in range(2, 100):
            journal.write(RUN.key, reading(number))
    journal.close()

    assert tries.count("BEGIN IMMEDIATE") == 1  # the attempt of close()
    assert numbers(path) == [float(n) for n in range(1, 100)]


def test_a_full_disk_costs_no_reading_when_there_is_room_again(path):
    """Readings wait while the disk is full; then all are written, none twice."""
    clock = StillClock()
    journal = Journal(path, clock=clock)
    journal.save_run(RUN)
    disk = Limited(journal)
    for number in range(500):
        journal.write(RUN.key, reading(number))
        clock.now_s += 0.1
    trouble = journal.trouble
    disk.free()
    clock.now_s += RETRY_S
    journal.write(RUN.key, reading(500))

    assert "disk is full" in str(trouble)
    assert journal.trouble is None
    assert numbers(path) == [float(n) for n in range(501)]
    journal.close()


def test_readings_that_were_not_written_are_counted_at_the_end(path):
    """A journal locked to the end reports how many are missing, and leaves them beside it."""
    journal = Journal(path, clock=StillClock())
    journal.save_run(RUN)
    with locked(path):
        for number in range(3):
            journal.write(RUN.key, reading(number))
        with pytest.raises(JournalError, match=r"program \(.*\): 3 readings") as caught:
            journal.close()

    log_path = path.with_name("journal-left-7.db")
    assert str(caught.value).endswith(f"are not in it, but in {log_path}.")
    assert numbers(log_path) == [0.0, 1.0, 2.0]
    assert read_runs(log_path) == [RUN]


def test_the_backlog_is_bounded_and_dropped_readings_become_a_gap(path):
    """Beyond the limit the oldest are dropped, and the journal has a gap there."""
    clock = StillClock()
    journal = Journal(path, clock=clock, backlog=10)
    journal.save_run(RUN)
    with locked(path):
        for number in range(25):
            journal.write(RUN.key, reading(number))
    clock.now_s += RETRY_S
    journal.write(RUN.key, reading(25))
    journal.close()

    gap, *readings = read_events(path, RUN)
    assert isinstance(gap, Gap)
    assert (gap.elapsed_s, gap.lasted_s) == (0.0, 15.0)
    assert "16 readings and notes were not kept" in gap.reason
    assert [event.elapsed_s for event in readings] == [float(n) for n in range(16, 26)]


def test_a_moved_file_is_replaced_by_a_new_one(path):
    """It is noticed within SYNC_S; the new file has the run from its start."""
    clock = StillClock()
    journal = Journal(path, clock=clock)
    journal.save_run(RUN)
    journal.write(RUN.key, reading(1))
    for name in path.parent.iterdir():
        name.rename(name.with_name("moved-" + name.name))
    clock.now_s += SYNC_S
    journal.write(RUN.key, reading(2))
    trouble = journal.trouble
    clock.now_s += RETRY_S
    journal.write(RUN.key, reading(3))
    journal.close()

    assert "moved or deleted" in str(trouble)
    assert numbers(path) == [1.0, 2.0, 3.0]
    assert read_runs(path) == [RUN]


@pytest.mark.parametrize("all_of_it", [True, False])
@pytest.mark.parametrize("goes_on", [True, False])
def test_deleting_the_file_loses_no_reading(path, all_of_it, goes_on):
    """Deleted with or without its log and index, and noticed later, or only at the end."""
    clock = StillClock()
    journal = Journal(path, clock=clock)
    journal.save_run(RUN)
    for number in range(100):
        journal.write(RUN.key, reading(number))
    for name in path.parent.iterdir() if all_of_it else [path]:
        name.unlink()
    for number in range(100, 200):
        journal.write(RUN.key, reading(number))
        clock.now_s += SYNC_S if goes_on else 0.0
    trouble = journal.trouble
    journal.close()

    assert trouble is None
    assert numbers(path) == [float(n) for n in range(200)]
    assert read_runs(path) == [RUN]


@pytest.mark.parametrize(
    "content", [b"", b"\xa5" * 4096, b"\xa5" * 300_000], ids=["empty", "a page", "longer"]
)
def test_overwriting_the_file_loses_no_reading(path, content):
    """An emptied file is replaced. Beside a file of another kind the whole run is left."""
    clock = StillClock()
    journal = Journal(path, clock=clock)
    journal.save_run(RUN)
    troubles = set()
    for number in range(400):
        journal.write(RUN.key, reading(number))
        troubles.add(journal.trouble)
        clock.now_s += 1.0
        if number == 200:
            (path.parent / "other").write_bytes(content)
            copy(path.parent / "other", path)
    kept = path
    if content:
        kept = path.with_name("journal-left-7.db")
        with pytest.raises(JournalError, match=r"no journal.* but in .*journal-left-7\.db"):
            journal.close()
    else:
        journal.close()

    assert f"the journal fails: something else has written over it ({path})" in troubles
    assert numbers(kept) == [float(n) for n in range(400)]


def test_two_programs_that_lose_the_file_share_the_new_one(path):
    """Both runs are whole in the new file."""
    clock = StillClock()
    runs = [RUN, replace(RUN, key=8, counter="five")]
    journals = [Journal(path, clock=clock), Journal(path, clock=clock)]
    for number in range(60):
        if number == 20:
            path.unlink()
        for journal, run in zip(journals, runs, strict=True):
            journal.save_run(run)
            journal.write(run.key, reading(number))
        clock.now_s += 1.0
    for journal in journals:
        journal.close()

    assert read_runs(path) == runs
    assert [numbers(path, run) for run in runs] == [[float(n) for n in range(60)]] * 2


def test_a_deleted_folder_is_reported_at_the_end(home, tmp_path):
    """With the number of missing readings, and the file that holds them instead."""
    clock = StillClock()
    place = tmp_path / "stick"
    place.mkdir()
    journal = Journal(place / "journal.db", clock=clock)
    journal.save_run(RUN)
    for number in range(10):
        journal.write(RUN.key, reading(number))
        if number == 5:
            shutil.rmtree(place)
        clock.now_s += SYNC_S

    assert journal.trouble is not None
    with pytest.raises(JournalError, match="10 readings and notes are not in it") as caught:
        journal.close()
    left = home / "benchwatch" / "journal-left-7.db"
    assert str(caught.value).endswith(f", but in {left}.")
    assert numbers(left) == [float(n) for n in range(10)]


LIMITED = """
import resource, sys
from pathlib import Path
from pipeline_kit import RUN, StillClock, reading
from benchwatch.journal import Journal
clock = StillClock()
journal = Journal(Path(sys.argv[1]), clock=clock)
journal.save_run(RUN)
resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, resource.RLIM_INFINITY))
for number in range(2000):
    journal.write(RUN.key, reading(number))
    clock.now_s += 0.1
print(journal.trouble)
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
journal.close()
"""


def test_a_file_size_limit_of_the_system_costs_no_reading(path, monkeypatch):
    """After a write that the kernel refuses, nothing is lost or doubled."""
    monkeypatch.setenv("PYTHONPATH", str(KITS))
    child = start_python(LIMITED, str(path))
    trouble, errors = child.communicate()

    assert errors == ""
    assert str(path) in trouble
    assert numbers(path) == [float(n) for n in range(2000)]


# ------------------------------------------------------------- bad files


def test_a_locked_journal_may_be_opened(path):
    """Opening works and reports the lock, and the readings are written afterwards."""
    Journal(path).close()
    with locked(path):
        journal = Journal(path)
        journal.save_run(RUN)
        journal.write(RUN.key, reading(1))
        trouble = journal.trouble
    journal.close()

    assert "locked by another program" in str(trouble)
    assert numbers(path) == [1.0]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"time_s,frequency_hz\n" * 40, "is damaged, or is no journal"),
        (b"SQLite format 3\x00" + b"\xff" * 4000, "is damaged, or is no journal"),
        (b"x", "is damaged, or is no journal"),  # SQLite itself would overwrite it
    ],
)
def test_a_file_that_is_no_journal_is_refused_and_unchanged(path, content, words):
    """A file of another kind gives a sentence, and no byte of it changes."""
    path.write_bytes(content)
    with pytest.raises(JournalError, match=words):
        Journal(path)
    with pytest.raises(JournalError, match=words):
        read_runs(path)

    assert path.read_bytes() == content


def test_a_damaged_journal_is_a_sentence(path):
    """A journal with its middle overwritten is refused or read with a sentence, no traceback."""
    journal = Journal(path)
    journal.save_run(RUN)
    for number in range(2000):
        journal.write(RUN.key, reading(number))
    journal.close()
    content = bytearray(path.read_bytes())
    content[8192:-4096] = b"\xa5" * len(content[8192:-4096])
    path.write_bytes(content)

    with pytest.raises(JournalError, match="damaged"):
        numbers(path)


def test_a_database_of_another_program_is_refused(path):
    """An SQLite file of another program is not written to."""
    with contextlib.closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE recipes (name TEXT)")
    before = path.read_bytes()
    with pytest.raises(JournalError, match="a database of another program"):
        Journal(path)

    assert path.read_bytes() == before


def test_a_journal_of_a_newer_version_is_refused(path):
    """A newer schema is neither read nor written."""
    with contextlib.closing(sqlite3.connect(path)) as newer:
        newer.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        newer.execute("PRAGMA user_version = 99")
    for attempt in (Journal, read_runs):
        with pytest.raises(JournalError, match="written by a newer Benchwatch"):
            attempt(path)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (":memory:", "in memory, which would keep nothing"),
        ("./:memory:", "in memory, which would keep nothing"),
        ("file:journal.db", "is a URI: give the journal as the name of a file"),
        ("FILE:/tmp/journal.db?mode=memory", "is a URI"),
        ("", "is no file for the journal"),
    ],
)
def test_names_that_are_no_file_are_refused(name, words, tmp_path, monkeypatch):
    """Names that SQLite would not keep on disk, or not under that name, give a sentence."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(JournalError, match=words):
        Journal(Path(name))

    assert list(tmp_path.iterdir()) == []


def test_a_second_name_of_the_file_itself_is_refused(path):
    """Two names of one file have two logs (https://www.sqlite.org/howtocorrupt.html, 2.5)."""
    Journal(path).close()
    os.link(path, path.with_name("other.db"))
    with pytest.raises(JournalError, match="has a second name"):
        Journal(path)


def test_places_that_hold_no_file_are_refused(tmp_path):
    """A folder, a missing folder, and a file used as a folder each give a sentence."""
    (tmp_path / "file").write_text("")
    for place in (tmp_path, tmp_path / "missing" / "journal.db", tmp_path / "file" / "journal.db"):
        with pytest.raises(FileError, match=r"can't be opened|is no journal"):
            Journal(place)


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write everywhere")
def test_a_read_only_file_is_refused(path):
    """Without write permission there is a sentence."""
    Journal(path).close()
    path.chmod(0o444)
    with pytest.raises(JournalError, match="read-only"):
        Journal(path)


def test_the_default_place_is_the_users_data_folder(tmp_path, monkeypatch):
    """The folder is made; if it can't be made, there is a sentence."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))

    assert default_path() == tmp_path / "data" / "benchwatch" / "journal.db"
    assert default_path().parent.is_dir()
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "file"))
    with pytest.raises(JournalError, match="can't be made"):
        default_path()
