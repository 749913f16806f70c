"""The small stable numbers of the runs in a journal file, and the counts of their readings.

A number is given when a run is first written, and stays with the run's key for good: also when the
run is moved to an archive, so that its number never names another run of this file. In another
file a run keeps its number where that is free.
"""

import sqlite3
import time
from collections.abc import Iterable, Mapping
from typing import Final

LARGEST_NUMBER: Final = 2**31 - 1
"""A number above it is none of ours: SQLite gives no number after 2^63 - 1."""
STEPS_A_CHECK: Final = 100_000
"""Steps of SQLite's machine between two looks at the clock."""
SMALLEST_KEY: Final = 2**40
"""Keys of runs are above it, numbers of runs below: by that they are distinguished in a page."""

TABLES: Final = """
    CREATE TABLE run_numbers (
        number INTEGER PRIMARY KEY AUTOINCREMENT, run INTEGER NOT NULL UNIQUE);
    CREATE TABLE run_counts (
        run INTEGER PRIMARY KEY, last_number INTEGER NOT NULL, readings INTEGER NOT NULL);
    INSERT INTO run_numbers(run) SELECT run FROM runs ORDER BY run;
    """
"""The step of the schema that adds the tables. A row of ``run_counts`` says how many readings a run
has among its events up to ``last_number``; where it is missing they are counted."""

Statement = tuple[str, Mapping[str, object]]
"""An SQL statement that may safely run twice, and its values by name."""


def number_statements(
    run: int, wanted: int | None = None, *, schema: str = "main"
) -> list[Statement]:
    """Return the statements that number a run that has no number yet.

    An ``INSERT OR IGNORE`` would use up a number even where the run has one, hence the condition.

    Args:
        run: key of the run.
        wanted: the number it has in another file; taken where it is free.
        schema: name of the file on its connection.
    """
    table = f"{schema}.run_numbers"
    new = (
        f"INSERT INTO {table}(run) SELECT :run WHERE NOT EXISTS "  # noqa: S608 - our own words
        f"(SELECT 1 FROM {table} WHERE run = :run)"
    )
    if wanted is None:
        return [(new, {"run": run})]
    same = (
        f"INSERT INTO {table}(number, run) SELECT :number, :run WHERE NOT EXISTS "  # noqa: S608 - ours
        f"(SELECT 1 FROM {table} WHERE run = :run OR number = :number)"
    )
    return [(same, {"run": run, "number": wanted}), (new, {"run": run})]


def number_the_rest(connection: sqlite3.Connection) -> None:
    """Number all runs that have no number, in the order of their keys.

    There are such after a recovery, or when a program that knows no numbers wrote the file.
    """
    connection.execute(
        "INSERT INTO run_numbers(run) SELECT run FROM runs WHERE run NOT IN "
        "(SELECT run FROM run_numbers) ORDER BY run"
    )


def carry_numbers(rows: Iterable[tuple[object, ...]], target: sqlite3.Connection) -> None:
    """Write the numbers of another file to `target`, each where number and run are free there.

    Args:
        rows: pairs of number and key, as read from the other file; odd ones are left out.
        target: the journal, in a transaction.
    """
    target.executemany(
        "INSERT OR IGNORE INTO run_numbers(number, run) VALUES (?, ?)",
        ((row[0], row[1]) for row in rows if is_numbering(row)),
    )


def is_numbering(row: tuple[object, ...]) -> bool:
    """Return whether a row can be one of ``run_numbers``."""
    if len(row) != 2:
        return False
    number, run = row
    return (
        isinstance(number, int)
        and isinstance(run, int)
        and 0 < number <= LARGEST_NUMBER
        and run >= 0
    )


def number_of(connection: sqlite3.Connection, run: int) -> int | None:
    """Return the number of the run with the key `run`; None: it has none."""
    row = connection.execute("SELECT number FROM run_numbers WHERE run = ?", (run,)).fetchone()
    return None if row is None else int(row[0])


def keep_counts(connection: sqlite3.Connection, runs: Iterable[int], within_s: float) -> None:
    """Write how many readings each of `runs` has, so that a list of runs need not count them.

    Counting is given up after `within_s`, as on a slow disk; then the list counts.

    Raises:
        sqlite3.Error: the counts can't be written, or the time is up.
    """
    give_up_s = time.monotonic() + within_s
    connection.set_progress_handler(lambda: time.monotonic() > give_up_s, STEPS_A_CHECK)
    try:
        for run in runs:
            connection.execute(
                "INSERT OR REPLACE INTO run_counts SELECT :run, max(number), count(*) "
                "FROM readings WHERE run = :run GROUP BY run",
                {"run": run},
            )
    finally:
        connection.set_progress_handler(None, STEPS_A_CHECK)


def forget_counts(connection: sqlite3.Connection, runs: Iterable[int]) -> None:
    """Remove the counts of `runs`, to which earlier events were added."""
    connection.executemany("DELETE FROM run_counts WHERE run = ?", ((run,) for run in runs))
