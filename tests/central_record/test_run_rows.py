"""What the rows of runs say of them in the central record, and what rests on it."""

from dataclasses import replace

import pytest
from batch_kit import MADE_RUN
from central_record_kit import (
    NOW_S,
    numbers_in,
    reading,
    rows,
    sent,
)
from psycopg.errors import DeadlockDetected, UniqueViolation
from server_kit import Database

from benchwatch.central_record.group_writer import MOST_TRIES


@pytest.mark.parametrize("table", ["readings", "gaps"])
def test_a_progress_that_was_set_back_doubles_nothing(record, writer, table):
    """Rows beyond what a run has by its own word are found to be there, and the rest comes in."""
    of_gaps = {"gaps": [(9, NOW_S, 9.0, 0.5, "link lost")], "to": 9} if table == "gaps" else {}
    writer.write([sent([1, 2, 3, 4], **of_gaps)])
    with record.connect() as connection:
        connection.execute("UPDATE benchwatch.runs SET has_all_to = 0")
    outcome = writer.write([sent([5, 6], station="tide-008"), sent([1, 2, 3, 4, 5], **of_gaps)])

    assert outcome["tide-007"].refused == []
    assert [number for *_, number in numbers_in(record)] == [1, 2, 3, 4, 5, 5, 6]
    assert len(rows(record, "SELECT 1 FROM benchwatch.gaps")) == len(of_gaps) // 2


def test_the_newest_time_is_that_of_the_last_reading(record, writer):
    """A reading of a wrong clock, or one that comes late, is not taken for the newest one."""
    ahead = NOW_S + 1e8
    writer.write([sent(rows=[reading(1), reading(2, ahead), reading(4)])])
    writer.write([sent(rows=[reading(3)], after=2, to=3)])
    last = writer_times(record)
    writer.write([sent((), after=4, to=6, marks=[(5, NOW_S, 5.0, "a mark")])])

    assert last == writer_times(record) == [(NOW_S + 1, ahead, NOW_S + 4)]


def writer_times(record: Database) -> list[tuple[object, ...]]:
    """Return the times of a run's readings."""
    return rows(record, "SELECT first_utc_s, last_utc_s, newest_utc_s FROM benchwatch.runs")


def test_a_progress_that_was_set_back_is_no_failed_try(record, writer, monkeypatch):
    """Also where it is found at the last of all tries, the batch is written."""
    original = writer._run_rows.write
    faults = [*[DeadlockDetected("made")] * (MOST_TRIES - 1), UniqueViolation("made")]

    def write(*values, **how):
        if faults:
            raise faults.pop(0)
        return original(*values, **how)

    monkeypatch.setattr(writer._run_rows, "write", write)
    outcome = writer.write([sent([1, 2])])["tide-007"]

    assert (outcome.runs, outcome.refused) == ({7: 2}, [])
    assert numbers_in(record) == [("tide-007", 7, 1), ("tide-007", 7, 2)]


def test_large_cells_of_runs_are_not_kept_in_memory(record, writer):
    """A hostile station may have 200 000 characters in each of many runs; they are stored."""
    large = replace(MADE_RUN, settings='"' + "x" * 99_990 + '"', end_reason="y" * 99_990)
    for key in range(1, 21):
        writer.write([sent([key], key=key, run=large), sent([key], station="tide-008")])
    changed = replace(large, identity="another one")
    writer.write([sent([21], after=20, key=20, run=changed)])

    assert set(writer._run_rows._cells) == {("tide-008", 7)}
    assert rows(record, "SELECT identity FROM benchwatch.runs WHERE run = 20") == [("another one",)]
    assert rows(record, "SELECT DISTINCT length(settings) FROM benchwatch.runs WHERE run > 7") == [
        (99_992,)
    ]
