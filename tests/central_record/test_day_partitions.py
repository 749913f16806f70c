"""Partitions of days: readings at their edges and far from now, and days that can't be made."""

import math
from typing import Any

from central_record_kit import NOW_S, group_writer, made_record, reading, rows, sent
from psycopg import errors
from server_kit import database

from benchwatch.central_record.day_partitions import DAY_S, LOOK_AGAIN_S, DayPartitions
from benchwatch.central_record.record_address import parse_record
from benchwatch.central_record.record_steps import DAYS_AHEAD, DAYS_BACK
from benchwatch.central_record.run_reader import CentralRunReader

TODAY = 20_000
"""Counted from 1970."""


class BusyConnection:
    """A connection to a record in which somebody reads all the time, as a backup does."""

    def __init__(self) -> None:
        self.waits = 0

    def execute(self, query: str, _values: tuple[object, ...] = ()) -> "BusyConnection":
        """Give up each partition after a wait for the reader."""
        if "make_day" in query:
            self.waits += 1
            raise errors.LockNotAvailable
        return self

    def fetchall(self) -> list[tuple[Any, ...]]:
        """Return no partition."""
        return []


def test_who_reads_for_long_is_waited_for_once_and_not_for_each_day() -> None:
    """Else a station that catches up months would hold up all others for minutes."""
    now_s = [TODAY * DAY_S + 60.0]
    busy = BusyConnection()
    days = DayPartitions(busy, lambda: now_s[0])  # type: ignore[arg-type]

    days.make(range(TODAY - 60, TODAY))
    days.make(range(TODAY - 60, TODAY))
    waits = busy.waits
    now_s[0] += LOOK_AGAIN_S
    days.make(range(TODAY - 60, TODAY))

    assert (waits, busy.waits) == (1, 2)


def test_days_that_are_far_from_now_take_no_memory() -> None:
    """A hostile station may date its readings to each day of ten thousand years."""
    days = DayPartitions(BusyConnection(), lambda: TODAY * DAY_S + 60.0)  # type: ignore[arg-type]
    days.make(range(TODAY - 700_000, TODAY + 2_900_000, 100))

    assert len(days._settled) < DAYS_BACK + DAYS_AHEAD + 2


def test_readings_at_the_edges_of_days_and_far_from_now_are_read_back() -> None:
    """Also before 1970 and by a clock that jumped by years; each is there once, in its day."""
    midnight_s = NOW_S // DAY_S * DAY_S
    times = [
        midnight_s, math.nextafter(midnight_s, 0.0), math.nextafter(midnight_s, math.inf),
        NOW_S + 1e9, NOW_S - 1e9, 0.0, math.nextafter(0.0, -1.0), -1.5, -1e9, NOW_S,
    ]  # fmt: skip
    events = [reading(number, utc_s) for number, utc_s in enumerate(times, 1)]
    with database() as record:
        made_record(record)
        for keeper in range(2):  # the second has not seen what the first wrote
            with group_writer(record) as writer:
                writer.write([sent(rows=events[:4]), sent(rows=events[3:], after=4)])
            days = rows(
                record,
                "SELECT tableoid::regclass::text FROM benchwatch.readings WHERE number IN (1, 2, 3)"
                " ORDER BY number",
            )
            with CentralRunReader(parse_record(record.url)) as reader:
                (run,) = reader.runs()
                (portion,) = reader.portions(run)
                counted = reader.count_readings(run)

            assert [row[:2] for row in portion.readings] == [row[:2] for row in events], keeper
            assert counted == len(events)
            assert days[0] == days[2] != days[1]
            assert "benchwatch.readings_other" not in {name for (name,) in days}
