"""One journal shared by several programs: no reading is lost, and the file stays whole.

All is tested from outside: real processes, and SQLite as it comes with Python.
"""

import os
import re
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

from counter_kit import tiny_counter
from journal_kit import ask, check_sound, kept
from pipeline_kit import RUN, StillClock, reading
from program_kit import Watching, run_program

from benchwatch.journal import Journal
from benchwatch.journal.journal_file import is_database

KITS = Path(__file__).parents[1] / "kits"

GATE_S = 0.01

READERS = (("replay", "JOURNAL", "--json"), ("doctor",))


def test_short_watches_and_readers_beside_a_long_one_cost_no_reading(tmp_path: Path) -> None:
    """Each reading that any watch showed is in the file once, also those of killed watches.

    The short ones use another name of the file. Ten of them beside all readers are among the
    benchmarks.
    """
    path = tmp_path / "benchwatch" / "journal.db"  # the default path, so that doctor reads it
    path.parent.mkdir()
    link = tmp_path / "link.db"
    link.symlink_to(path)
    home = {"XDG_DATA_HOME": str(tmp_path)}
    with tiny_counter(GATE_S) as counter, Watching(counter.resource, journal=path) as long:
        long.wait_for_more(10)
        shown: list[float] = []
        for number, reader in enumerate(READERS):
            words = [str(path) if word == "JOURNAL" else word for word in reader]
            killed = number % 2 == 1
            options = () if killed else ("--count", "8")
            with Watching(counter.resource, journal=link, options=options) as short:
                read = run_program(*words, **home)
                short.wait_for_lines(8)
                short.end(signal.SIGKILL if killed else 0)
            assert "Traceback" not in read.stderr
            shown += short.shown
            long.wait_for_more(5)
            check_sound(path)
            assert set(long.shown + shown) <= set(kept(path)), reader
        code = long.end(signal.SIGINT)

    check_sound(path)
    found = kept(path)
    assert sorted(name.name for name in tmp_path.iterdir()) == ["benchwatch", "link.db"]
    assert code == 130, long.narration
    assert set(shown + long.shown) <= set(found)
    assert len(found) == len(set(found))


def locks(path: Path) -> set[str]:
    """Return the locks on the file at `path` as the kernel lists them (proc(5), /proc/locks).

    It lists them piece by piece, so that one may come twice when others are taken meanwhile.
    """
    number = f":{path.stat().st_ino} "
    lines = Path("/proc/locks").read_text().splitlines()
    return {line.partition(": ")[2] for line in lines if number in line}


def test_reading_an_open_journal_drops_none_of_its_locks(tmp_path: Path) -> None:
    """The kernel lists the same locks before and after each read of the file."""
    path = tmp_path / "journal.db"
    journal = Journal(path)
    before = locks(path)

    assert before, "an open journal holds a lock"
    assert is_database(path)
    assert locks(path) == before
    assert journal._file is not None
    journal._file.check_place()
    assert locks(path) == before
    other = Journal(path)
    other.close()
    assert locks(path) == before
    journal.close()


BEGUN_ANEW = """
import os, sys
from pathlib import Path
from pipeline_kit import RUN, StillClock, reading
from benchwatch.journal import Journal
path, clock = Path(sys.argv[1]), StillClock()
journal = Journal(path, clock=clock)
journal.save_run(RUN)
for number in range(1, 41):
    journal.write(RUN.key, reading(number))
    clock.now_s += 1.0
    if number == 10:
        path.rename(path.with_name("moved.db"))
print(journal.trouble, flush=True)
sys.stdin.read()
"""


def test_a_moved_journal_does_not_affect_the_new_one(tmp_path: Path) -> None:
    """After a move and SIGKILL another program finds the log beside the new file."""
    path = tmp_path / "journal.db"
    environ = os.environ | {"PYTHONPATH": str(KITS)}
    child = subprocess.Popen(
        [sys.executable, "-c", BEGUN_ANEW, str(path)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environ,
    )  # fmt: skip
    assert child.stdout is not None
    trouble = child.stdout.readline()
    child.kill()
    child.communicate()

    assert trouble == "None\n"
    check_sound(path)
    assert ask(path, "SELECT elapsed_s FROM readings") == [(float(n),) for n in range(1, 41)]
    check_sound(tmp_path / "moved.db")
    assert ask(tmp_path / "moved.db", "SELECT count(*) FROM readings")[0][0] >= 10


def test_a_log_that_another_program_keeps_from_being_emptied_is_reported_once(
    tmp_path: Path,
) -> None:
    """With a read transaction left open: one sentence with the size, one when it is over."""
    path, clock = tmp_path / "journal.db", StillClock()
    journal = Journal(path, clock=clock)
    journal.save_run(RUN)
    journal.write(RUN.key, reading(1))
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN")
    other.execute("SELECT count(*) FROM readings").fetchall()
    log, number = path.with_name("journal.db-wal"), 1
    while log.stat().st_size < 12_000_000:
        number += 1
        journal.write(RUN.key, reading(number))
        clock.now_s += 0.1
    (said,) = journal.notices
    other.execute("COMMIT")
    other.close()
    for _ in range(60):
        number += 1
        journal.write(RUN.key, reading(number))
        clock.now_s += 1.0
    size = log.stat().st_size
    (_, over) = journal.notices
    journal.close()

    assert re.search(r"keeps the log .* is ([89]|1[0-2]) MB by now and grows", said)
    assert str(log) in said
    assert over == "the log beside the journal is emptied again."
    assert size <= 8_100_000
    assert ask(path, "SELECT count(*) FROM readings") == [(number,)]
