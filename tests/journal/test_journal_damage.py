"""A damaged journal stops no watch: it is kept, and its readable rows are copied to a new one.

The tests damage the bytes of closed files, and check the result with plain SQLite.
"""

import re
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from counter_kit import tiny_counter
from journal_kit import PAGE, ask, check_sound, copy, kept, noise
from pipeline_kit import RUN, StillClock, reading
from program_kit import Watching

from benchwatch.errors import JournalError
from benchwatch.journal import Journal
from benchwatch.journal.writer import RETRY_S
from benchwatch.reading import Record

READINGS = 1500
OLD = [replace(RUN, key=key << 60, watch=key << 60) for key in (1, 2, 3)]
NEW = replace(RUN, key=4 << 60, watch=4 << 60)
LONG = '{"note": "' + "tide gauge " * 900 + '"}'
"""A record longer than one page."""


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Return the bytes of a journal of three runs, each with a long record in its middle."""
    path = tmp_path_factory.mktemp("whole") / "journal.db"
    journal = Journal(path)
    for old in OLD:
        journal.save_run(old)
        for number in range(READINGS):
            journal.write(old.key, reading(number))
            if number == READINGS // 2:
                journal.write(
                    old.key,
                    Record(
                        counter="main", utc_s=1.5, elapsed_s=1.5, kind="as found", document=LONG
                    ),
                )
    journal.close()
    return path.read_bytes()


DAMAGES: dict[str, tuple[Callable[[bytes], bytes], float]] = {
    "cut to its half": (lambda content: content[: len(content) // 2], 0.4),
    "cut to its first page": (lambda content: content[:PAGE], 0.0),
    "first page gone": (noise(0, 1), 0.999),
    "tables unreadable": (lambda content: content[:100] + b"\xa5" * 3996 + content[PAGE:], 0.999),
    "root of the readings gone": (noise(3, 4), 0.98),
    "last pages gone": (noise(-4, 0), 0.9),
    "end full of zeros": (lambda content: content[: -20 * PAGE] + bytes(20 * PAGE), 0.6),
}
"""The damage of the file, and the least part of the readings that must be recovered."""


def carried_over(journal: Journal) -> None:
    """Wait until the readable rows are copied."""
    assert journal._recovery is not None
    journal._recovery._thread.join(60)


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_journal_is_set_aside_and_its_rows_are_recovered(tmp_path, whole, damage):
    """The old file keeps its bytes under a dated name; the new one has its readable rows."""
    spoil, least = DAMAGES[damage]
    path = tmp_path / "journal.db"
    path.write_bytes(spoil(whole))
    clock = StillClock()
    journal = Journal(path, clock=clock)
    journal.save_run(NEW)
    for number in range(50):
        journal.write(NEW.key, reading(number))
        clock.now_s += RETRY_S
    carried_over(journal)
    trouble, (narration, told) = journal.trouble, journal.notices
    journal.close()

    (aside,) = tmp_path.glob("journal-damaged-20310504T*.db")
    assert trouble is None
    assert f"the journal was damaged: it is kept as {aside}, a new one was begun" in narration
    check_sound(path)
    count = "SELECT count(*) FROM readings WHERE run"
    assert ask(path, f"{count} = {NEW.key}") == [(50,)]
    ((old,),) = ask(path, f"{count} <> {NEW.key}")
    assert old >= least * 3 * READINGS
    assert f"from {aside}" in told
    if least > 0.99:
        assert [row[0] for row in ask(path, "SELECT document FROM records")] == [LONG] * 3
    assert set(ask(path, "SELECT DISTINCT text FROM readings")) == {("10000000.0231",)}
    assert ask(path, "SELECT count(*) FROM readings WHERE run NOT IN (SELECT run FROM runs)") == [
        (0,)
    ]


def test_damage_in_pages_of_old_runs_is_found_too(tmp_path, whole):
    """The whole file is checked from the start, while readings are written."""
    path = tmp_path / "journal.db"
    middle = len(whole) // PAGE // 2
    path.write_bytes(noise(middle, middle + 1)(whole))
    clock = StillClock()
    journal = Journal(path, clock=clock)
    assert journal._check is not None
    journal._check._thread.join(60)
    journal.save_run(NEW)
    for number in range(50):
        journal.write(NEW.key, reading(number))
        clock.now_s += RETRY_S
    carried_over(journal)
    journal.close()

    assert len(list(tmp_path.glob("journal-damaged-*.db"))) == 1
    check_sound(path)
    assert 0.95 * 3 * READINGS < len(kept(path)) - 50 < 3 * READINGS


def test_rows_of_lost_runs_get_a_run(tmp_path, whole):
    """If the page of the runs is lost, their readings are under a run that states that."""
    path = tmp_path / "journal.db"
    path.write_bytes(noise(2, 3)(whole))
    journal = Journal(path, clock=StillClock())
    journal.save_run(NEW)
    journal._clock.now_s += RETRY_S  # type: ignore[attr-defined]
    journal.write(NEW.key, reading(1))
    carried_over(journal)
    journal.close()

    assert len(kept(path)) == 3 * READINGS + 1
    ends = dict(ask(path, "SELECT run, end_reason FROM runs"))
    assert {ends[old.key] for old in OLD} == {
        "what was known of this run was lost with a damaged journal"
    }


def left_by_a_kill(folder: Path) -> Path:
    """Return the file and its log of a journal that was never closed."""
    running = Journal(folder / "running.db", clock=StillClock())
    running.save_run(OLD[0])
    for number in range(30):
        running.write(OLD[0].key, reading(number))
    for end in ("", "-wal"):
        copy(folder / f"running.db{end}", folder / f"journal.db{end}")
    running.close()
    return folder / "journal.db"


def test_an_emptied_journal_keeps_the_log_beside_it(tmp_path):
    """SQLite would delete the log of an empty file; here it is read."""
    path = left_by_a_kill(tmp_path)
    path.write_bytes(b"")
    journal = Journal(path)
    carried_over(journal)
    journal.close()

    assert ask(path, "SELECT elapsed_s FROM readings") == [(float(n),) for n in range(30)]


@pytest.mark.parametrize("where", [0.0, 0.5])
def test_a_damaged_log_blocks_nothing(tmp_path, where):
    """Rows in the log before the damage are kept, and the next watch writes."""
    path = left_by_a_kill(tmp_path)
    log = path.with_name("journal.db-wal")
    content = bytearray(log.read_bytes())
    at = int(len(content) * where)
    content[at : at + 100] = b"\xa5" * 100
    log.write_bytes(content)
    journal = Journal(path)
    journal.save_run(NEW)
    for number in range(10):
        journal.write(NEW.key, reading(number))
    journal.close()

    check_sound(path)
    assert ask(path, f"SELECT count(*) FROM readings WHERE run = {NEW.key}") == [(10,)]
    assert where == 0.0 or ask(path, "SELECT count(*) FROM readings")[0][0] >= 15
    (narration,) = journal.notices
    told = re.search(r"was damaged \(.*-wal\): the last (\d+) readings and notes", narration)
    assert told is not None
    # Every event is a commit of its own; before the readings come the tables and the run.
    missing = 30 + 10 - ask(path, "SELECT count(*) FROM readings")[0][0]
    assert missing <= int(told[1]) <= missing + (5 if where == 0.0 else 0)
    again = Journal(path)
    again.close()
    assert again.notices == []


def test_a_log_that_was_only_cut_off_is_not_called_damaged(tmp_path):
    """A killed program leaves half a commit, which no program has seen."""
    path = left_by_a_kill(tmp_path)
    log = path.with_name("journal.db-wal")
    content = log.read_bytes()
    log.write_bytes(content[: len(content) - PAGE // 2])
    journal = Journal(path)
    journal.close()

    assert journal.notices == []


def test_a_log_that_another_program_writes_is_not_called_damaged(tmp_path):
    """Opened beside a writer that also empties its log; each opening finds the log whole."""
    path = tmp_path / "journal.db"
    writer = Journal(path)
    writer.save_run(NEW)
    ended = threading.Event()

    def write() -> None:
        number = 0
        while not ended.is_set():
            writer.write(NEW.key, reading(number))
            number += 1
            if number % 300 == 0:
                with closing(sqlite3.connect(path)) as other:
                    other.execute("PRAGMA wal_checkpoint(RESTART)")

    thread = threading.Thread(target=write)
    thread.start()
    news = []
    for _ in range(40):
        log_path = Journal(path)
        log_path.close()
        news += log_path.notices
    ended.set()
    thread.join()
    writer.close()

    assert [narration for narration in news if "damaged" in narration] == []


def test_two_programs_that_find_the_damage_set_it_aside_once(tmp_path, whole):
    """Both have their readings in the one new journal, and the old ones are there once."""
    path = tmp_path / "benchwatch" / "journal.db"
    path.parent.mkdir()
    path.write_bytes(whole[: len(whole) // 2])
    with tiny_counter(0.01) as counter:
        watches = [Watching(counter.resource, journal=path, options=("--count", "40"))
                   for _ in range(2)]  # fmt: skip
        for watch in watches:
            watch.end(0)
    narration = "".join(watch.narration for watch in watches)

    (aside,) = path.parent.glob("journal-damaged-*.db")
    assert narration.count("the journal was damaged: it is kept as") == 1
    assert f"it is kept as {aside}, a new one was begun" in narration
    check_sound(path)
    found = [value for value in kept(path) if value != 10000000.0231]
    assert sorted(found) == sorted(value for watch in watches for value in watch.shown)


def test_damage_during_a_watch_is_reported_and_costs_no_reading(tmp_path):
    """Pages are overwritten during a watch: readings from before and after are kept."""
    path = tmp_path / "journal.db"
    with tiny_counter(0.005) as counter, Watching(counter.resource, journal=path) as watch:
        watch.wait_for_lines(60)
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            # One page of other content, as a bad disk might return it.
            other.execute("PRAGMA writable_schema = ON")
            other.execute("UPDATE sqlite_master SET rootpage = 1 WHERE name = 'readings'")
            other.execute("PRAGMA schema_version = 99")
        watch.wait_for_narration("the journal was damaged: it is kept as")
        watch.wait_for_narration("were carried over from")
        watch.wait_for_more(30)
        code = watch.end()

    assert code == 130, watch.narration
    check_sound(path)
    assert set(watch.shown) <= set(kept(path))
    marks = [line["text"] for line in watch.lines if line["kind"] == "mark"]
    assert any(text.startswith("the journal was damaged: it is kept as") for text in marks)


@pytest.mark.parametrize("content", [b"time_s,frequency_hz\n" * 4000, b"x", b"\0" * 40_000])
def test_a_file_of_another_kind_is_left_alone_where_the_user_named_it(tmp_path, content):
    """It is neither moved nor written: the user may have named it by mistake."""
    path = tmp_path / "mine.csv"
    path.write_bytes(content)
    with pytest.raises(JournalError, match="is damaged, or is no journal"):
        Journal(path)

    assert path.read_bytes() == content
    assert [name.name for name in tmp_path.iterdir()] == ["mine.csv"]


def test_at_the_default_path_a_file_that_is_no_journal_is_set_aside(tmp_path):
    """No other program writes there: the file is kept, and no watch is stopped."""
    path, content = tmp_path / "benchwatch" / "journal.db", bytes(40_000)
    path.parent.mkdir()
    path.write_bytes(content)
    with tiny_counter() as counter:
        watch = Watching(
            counter.resource, journal=None, options=("--count", "5"), XDG_DATA_HOME=str(tmp_path)
        )
        code = watch.end(0)

    (aside,) = path.parent.glob("journal-damaged-*.db")
    assert code == 0, watch.narration
    assert re.search(
        rf"it is kept as {re.escape(str(aside))}, a new one was begun", watch.narration
    )
    assert aside.read_bytes() == content
    assert len(kept(path)) == 5


def test_killed_while_setting_aside_nothing_is_missing(tmp_path, whole, monkeypatch):
    """Killed between making the new names and removing the old ones: the next watch repeats it."""
    path = tmp_path / "journal.db"
    path.write_bytes(whole[: len(whole) // 2])

    class Killed(BaseException):
        """Stands for SIGKILL: no cleanup follows."""

    def die(*_: object) -> None:
        raise Killed

    with monkeypatch.context() as killing:
        killing.setattr(Path, "unlink", die)
        with pytest.raises(Killed):
            Journal(path)
    journal = Journal(path)
    carried_over(journal)
    journal.close()

    check_sound(path)
    assert len(kept(path)) > READINGS
    assert threading.active_count() < 20
