"""The partitions of readings, one a day in UTC, made before they are needed."""

import time
from collections.abc import Callable, Iterable
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any, Final

from benchwatch.central_record.record_address import psycopg_module
from benchwatch.central_record.record_steps import DAYS_AHEAD, DAYS_BACK

if TYPE_CHECKING:
    import psycopg

DAY_S: Final = 86_400
LOOK_AGAIN_S: Final = 60.0
"""Seconds after which the list of days is read anew: one may have been dropped, or a day could not
be made because somebody was reading for long."""

_LIST: Final = """
    SELECT partition.relname FROM pg_catalog.pg_inherits
    JOIN pg_catalog.pg_class AS partition ON partition.oid = inhrelid
    WHERE inhparent = 'benchwatch.readings'::regclass"""
_EPOCH: Final = date(1970, 1, 1).toordinal()


def partition_days(connection: "psycopg.Connection[Any]") -> list[date]:
    """Return the days that have a partition, in no order.

    Raises:
        psycopg.Error: the database is away.
    """
    rows = connection.execute(_LIST).fetchall()
    return [day for (name,) in rows if (day := day_of(name)) is not None]


def day_of(partition: str) -> date | None:
    """Return the day in the name of a partition; None: it is the one of all other days."""
    try:
        return datetime.strptime(partition.removeprefix("readings_"), "%Y%m%d").replace(
            tzinfo=UTC
        ).date()  # fmt: skip
    except ValueError:
        return None


class DayPartitions:
    """Makes the partitions of days through a connection outside of a transaction.

    Readings of days that have none are no less safe: they go to ``readings_other``, and move from
    there when the day gets a partition.

    Args:
        connection: to the central record.
        now: the time in Unix seconds.
    """

    def __init__(
        self, connection: "psycopg.Connection[Any]", now: Callable[[], float] = time.time
    ) -> None:
        self._connection, self._now = connection, now
        self._settled: set[int] = set()
        """Days, counted from 1970, that have a partition or that can't have one for now."""
        self._listed_utc_s: float | None = None

    def make(self, days: Iterable[int]) -> None:
        """Make the partitions of days, and of the present and coming ones, where they may be made.

        Args:
            days: counted from 1970-01-01.

        Raises:
            psycopg.Error: the database is away.
        """
        now_s = self._now()
        today = int(now_s // DAY_S)
        # No others may be made, and are not kept: a hostile station may name millions of days.
        near = range(today - DAYS_BACK, today + DAYS_AHEAD + 1)
        asked = {day for day in days if day in near}
        wanted = asked - self._settled
        if self._listed_utc_s is None or abs(now_s - self._listed_utc_s) >= LOOK_AGAIN_S:
            found = partition_days(self._connection)
            self._settled = {day.toordinal() - _EPOCH for day in found}
            self._listed_utc_s = now_s
            wanted = {*asked, *range(today, today + DAYS_AHEAD + 1)} - self._settled
        self._settled |= wanted
        for day in sorted(wanted):
            if not self._make(day):
                break  # who reads for long, as a backup does, is in the way of the other days too

    def _make(self, day: int) -> bool:
        """Make the partition of a day; return False if somebody was in the way."""
        errors = psycopg_module().errors
        try:
            self._connection.execute(
                "SELECT benchwatch.make_day(%s)", (date.fromordinal(day + _EPOCH),)
            )
        except (errors.LockNotAvailable, errors.QueryCanceled, errors.DeadlockDetected):
            return False
        return True
