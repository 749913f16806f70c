"""Days of readings in the central record, and the archive files that are noted for them."""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from benchwatch.central_record.archive.archive_file import (
    ALL_RUN_COLUMNS,
    COLUMNS,
    ROWS_AT_ONCE,
    RUN_COLUMNS,
)
from benchwatch.central_record.archive.row_comparison import READING_COLUMNS, Row
from benchwatch.central_record.day_partitions import partition_days
from benchwatch.central_record.record_steps import DAYS_BACK
from benchwatch.errors import UsageError

if TYPE_CHECKING:
    from psycopg import Connection

OTHER_DAY: Final = date.min
"""Stands in `archived` for the partition of dates that no day has a partition for."""
OTHER_TABLE: Final = "readings_other"
ONLY_ONE: Final = 0x42774B31
"""Key of the lock by which one archive or retention works on a record at a time."""
_PREFIX: Final = "readings_"
_TEXTS: Final = ", ".join(name for name, kind in COLUMNS.items() if kind == "VARCHAR")
_SORTED: Final = 'ORDER BY runs.station COLLATE "C", runs.run, readings.number'


@dataclass(frozen=True, slots=True)
class RecordDay:
    """A day (UTC) that has a partition of its own; `OTHER_DAY` has all other dates."""

    day: date
    before_s: float = 0.0
    """Unix seconds; of `OTHER_DAY` only readings before them count: they stay where they are."""

    @property
    def table(self) -> str:
        """Name of the partition."""
        return OTHER_TABLE if self.day == OTHER_DAY else f"{_PREFIX}{self.day:%Y%m%d}"

    @property
    def name(self) -> str:
        """Name for people and for files."""
        return "other" if self.day == OTHER_DAY else f"{self.day:%Y%m%d}"

    @property
    def words(self) -> str:
        """The day for sentences."""
        return "other dates" if self.day == OTHER_DAY else self.day.isoformat()


@dataclass(frozen=True, slots=True)
class NotedFile:
    """An archive file as the record has it noted."""

    part: int
    file: str
    rows: int
    sha256: str

    def path(self, folder: Path | None) -> Path:
        """Return where the file is: in `folder` if it is there, else where it was written."""
        noted = Path(self.file)
        moved = None if folder is None else folder / noted.name
        return moved if moved is not None and moved.exists() else noted


@contextmanager
def only_one(connection: "Connection[Any]") -> Iterator[None]:
    """Keep others from archiving or dropping days of this record meanwhile.

    Raises:
        UsageError: another program does so just now.
    """
    got = connection.execute("SELECT pg_try_advisory_lock(%s)", (ONLY_ONE,)).fetchone()
    if not (got and got[0]):
        raise UsageError(
            "another program archives or drops days of this record just now: wait until it has "
            "ended. Nothing was done."
        )
    try:
        yield
    finally:
        if not connection.closed:
            connection.execute("SELECT pg_advisory_unlock(%s)", (ONLY_ONE,))


@contextmanager
def one_view(connection: "Connection[Any]") -> Iterator[None]:
    """Let all statements within see the same state of the record, and commit what they change."""
    with connection.transaction():
        connection.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
        connection.execute("SET LOCAL work_mem = '256MB'")  # one sort of a whole day
        connection.execute("SET LOCAL cursor_tuple_fraction = 1.0")  # every row is fetched
        connection.execute("SET LOCAL extra_float_digits = 1")  # text that gives the same number
        yield


def old_days(
    connection: "Connection[Any]", cutoff: datetime, *, other: bool = True
) -> list[RecordDay]:
    """List the days that ended before `cutoff`, oldest first, and at the end other dates.

    Of the partition of other dates counts what is too old to get a day of its own. What has a date
    in the future waits for its day.

    Args:
        connection: to the record.
        cutoff: a moment with a zone.
        other: whether other dates are listed.
    """
    last = (cutoff.astimezone(UTC) - timedelta(days=1)).date()
    days = [RecordDay(day) for day in sorted(partition_days(connection)) if day <= last]
    if not other:
        return days
    begin = datetime.combine(_first_day(), datetime.min.time(), UTC)
    return [*days, RecordDay(OTHER_DAY, begin.timestamp())]


def make_missing_days(connection: "Connection[Any]") -> None:
    """Give every recent day of which a reading is among other dates a partition of its own."""
    from psycopg import errors  # noqa: PLC0415 - an extra

    # Where somebody reads for long, they wait for the next call.
    with suppress(errors.LockNotAvailable, errors.DeadlockDetected):
        _make_missing_days(connection)


def _make_missing_days(connection: "Connection[Any]") -> None:
    connection.execute(
        "SELECT benchwatch.make_day(day) FROM (SELECT DISTINCT (to_timestamp(utc_s) "
        "AT TIME ZONE 'UTC')::date AS day FROM benchwatch.readings_other WHERE utc_s BETWEEN "
        "extract(epoch FROM %s::date) AND extract(epoch FROM now())) AS days",
        (_first_day(),),
    )


def _first_day() -> date:
    """Return the first day for which a partition may still be made; it only moves forward."""
    return datetime.now(UTC).date() - timedelta(days=DAYS_BACK)


def count_readings(connection: "Connection[Any]", day: RecordDay) -> int:
    """Count the readings of a day."""
    asked = f"SELECT count(*) FROM {_readings(day)}"  # noqa: S608 - ours
    found = connection.execute(asked).fetchone()
    return int(found[0]) if found else 0


def csv_lines(
    connection: "Connection[Any]", day: RecordDay
) -> "Iterator[bytes | bytearray | memoryview]":
    """Yield the readings of a day as CSV with the columns of an archive file, sorted."""
    columns = ", ".join(
        f"{'runs' if name in RUN_COLUMNS else 'readings'}.{name}" for name in COLUMNS
    )
    asked = (
        f"COPY (SELECT {columns} {_from(day)} {_SORTED}) TO STDOUT "
        f"(FORMAT csv, ENCODING 'UTF8', FORCE_QUOTE ({_TEXTS}))"
    )
    with connection.cursor().copy(asked) as copy:
        yield from copy  # one record at a time


def record_rows(connection: "Connection[Any]", day: RecordDay) -> Iterator[list[Row]]:
    """Yield the readings of a day, sorted, portion by portion; within `one_view`."""
    columns = ", ".join(
        f"{'runs' if name in RUN_COLUMNS else 'readings'}.{name}" for name in READING_COLUMNS
    )
    with connection.cursor(name="archived_rows") as cursor:
        cursor.execute(
            f"SELECT {columns} {_from(day)} {_SORTED}",
            binary=True,
        )
        while portion := cursor.fetchmany(ROWS_AT_ONCE):
            yield portion


def record_runs(connection: "Connection[Any]", runs: list[tuple[str, int]]) -> list[dict[str, Any]]:
    """Return what the record says of runs: `ALL_RUN_COLUMNS` by name, sorted by station and run.

    Args:
        connection: to the record.
        runs: station and key of each.
    """
    found = connection.execute(
        f"SELECT {', '.join(ALL_RUN_COLUMNS)} FROM benchwatch.runs JOIN "  # noqa: S608 - ours
        "unnest(%s::text[], %s::bigint[]) AS asked(station, run) USING (station, run) "
        'ORDER BY station COLLATE "C", run',
        ([station for station, _ in runs], [run for _, run in runs]),
    ).fetchall()
    return [dict(zip(ALL_RUN_COLUMNS, row, strict=True)) for row in found]


def noted_files(connection: "Connection[Any]", day: date) -> list[NotedFile]:
    """Return the files that are noted for what is in the partition of a day."""
    found = connection.execute(
        "SELECT part, file, rows, sha256 FROM benchwatch.archived "
        "WHERE day = %s AND dropped IS NULL ORDER BY part",
        (day,),
    ).fetchall()
    return [NotedFile(*row) for row in found]


def next_part(connection: "Connection[Any]", day: date) -> int:
    """Return the number of the next part of a day; also dropped ones count."""
    found = connection.execute(
        "SELECT coalesce(max(part), 0) + 1 FROM benchwatch.archived WHERE day = %s", (day,)
    ).fetchone()
    return int(found[0]) if found else 1


def note_file(connection: "Connection[Any]", day: date, noted: NotedFile) -> None:
    """Note an archive file of a day."""
    connection.execute(
        "INSERT INTO benchwatch.archived (day, part, file, rows, sha256, at) "
        "VALUES (%s, %s, %s, %s, %s, now())",
        (day, noted.part, noted.file, noted.rows, noted.sha256),
    )


def _from(day: RecordDay) -> str:
    """Return the readings of a day with their runs, as SQL."""
    return f"FROM {_readings(day)} JOIN benchwatch.runs AS runs USING (run_id)"


def _readings(day: RecordDay) -> str:
    """Return the readings of a day as SQL; by the whole table, as a keeper may read that only."""
    if day.day == OTHER_DAY:
        table, within = day.table, f"utc_s < {day.before_s:.0f}"
    else:
        begin_s = datetime.combine(day.day, datetime.min.time(), UTC).timestamp()
        table, within = "readings", f"utc_s >= {begin_s:.0f} AND utc_s < {begin_s + 86_400:.0f}"
    return f"(SELECT * FROM benchwatch.{table} WHERE {within}) AS readings"  # noqa: S608 - ours
