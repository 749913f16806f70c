"""Speed of the list of runs in a long journal, and of the shell's completion.

python -m pytest tests/benchmarks/test_speed_runs.py -s
"""

import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from functools import partial
from pathlib import Path

import pytest
from pipeline_kit import START_UTC_S
from program_kit import run_program

from benchwatch.journal.journal_reader import JournalReader
from benchwatch.journal.run_list import list_runs
from benchwatch.journal.run_numbers import keep_counts
from benchwatch.journal.schema import prepare
from benchwatch.recording.run_selection import newest_runs

RUNS = 10_000
READINGS = 300
TRIES = 5
WORDS = ("benchwatch b", "benchwatch watch --", "benchwatch budget --run ")


def written(path: Path, runs: int = RUNS) -> list[int]:
    """Write a journal of so many runs of `READINGS` readings; return their keys."""
    keys = [int((START_UTC_S + 3600.0 * number) * 1000) << 20 for number in range(runs)]
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        prepare(connection, path)
        connection.execute("BEGIN")
        connection.executemany(
            "INSERT INTO runs VALUES (?, ?, 'main', 'made', 'scpi', ?, '10000000', '', 'external', "
            "1.0, '{}', ?, 'stopped')",
            ((key, key, START_UTC_S + 3600.0 * number, START_UTC_S + 3600.0 * number + READINGS)
             for number, key in enumerate(keys)),
        )  # fmt: skip
        connection.executemany(
            "INSERT INTO readings VALUES (?, ?, ?, ?, 1.0, '10000000.0231', 1e-4, '')",
            ((key, second, START_UTC_S + second, float(second))
             for key in keys for second in range(1, READINGS + 1)),
        )  # fmt: skip
        connection.execute("INSERT INTO run_numbers(run) SELECT run FROM runs ORDER BY run")
        connection.execute("COMMIT")
    return keys


def least_ms(work: Callable[[], object]) -> float:
    """Return the least time of some tries, milliseconds."""
    times_s = []
    for _ in range(TRIES):
        began_s = time.perf_counter()
        work()
        times_s.append(time.perf_counter() - began_s)
    return 1e3 * min(times_s)


@pytest.mark.timeout(600)
def test_a_long_journal_is_listed_at_once(tmp_path: Path) -> None:
    """Print the times to list the newest runs and all, with counts that are kept and without."""
    path = tmp_path / "journal.db"
    keys = written(path)
    now_s = START_UTC_S + 3600.0 * RUNS
    newest = least_ms(lambda: list_runs(path, now_s, 20))
    counted = least_ms(lambda: list_runs(path, now_s))
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("BEGIN")
        keep_counts(connection, keys, 60.0)
        connection.execute("COMMIT")
    kept = least_ms(lambda: list_runs(path, now_s))
    with JournalReader(path) as journal:
        found = least_ms(lambda: newest_runs(journal))
    print(
        f"\n{RUNS} runs of {READINGS} readings: newest 20 listed in {newest:.0f} ms, all in "
        f"{kept:.0f} ms, {counted:.0f} ms where readings are counted; "
        f"newest watch found in {found:.0f} ms"
    )

    assert newest < kept < counted


def test_a_word_is_completed_at_once(tmp_path: Path) -> None:
    """Print the time of a completion beside that of a bare start of Python with click."""
    (tmp_path / "benchwatch").mkdir()
    written(tmp_path / "benchwatch" / "journal.db")
    bare = least_ms(lambda: subprocess.run([sys.executable, "-c", "import click"], check=True))

    def complete(typed: str) -> None:
        done = run_program(
            XDG_DATA_HOME=str(tmp_path),
            _BENCHWATCH_COMPLETE="bash_complete",
            COMP_WORDS=typed,
            COMP_CWORD=str(typed.count(" ")),
        )
        assert done.stdout.strip()

    times = [least_ms(partial(complete, typed)) for typed in WORDS]
    shown = ", ".join(f"'{typed}' {ms:.0f} ms" for typed, ms in zip(WORDS, times, strict=True))
    print(f"\na bare start {bare:.0f} ms; {shown}")

    assert max(times) < 6 * bare
