"""What the central record holds and how new it is; many readings are not counted one by one."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any, Final

from benchwatch.central_record.day_partitions import DAY_S, day_of
from benchwatch.central_record.record_address import RecordAddress
from benchwatch.central_record.record_connection import check_schema, connect, record_errors

if TYPE_CHECKING:
    import psycopg

EXACT_READINGS: Final = 100_000
"""Days with fewer readings by the statistics are counted one by one."""
BYTES_OF_A_READING: Final = 95
"""In the table without its index, near enough; for a day of which there are no statistics."""
MOST_REFUSED: Final = 1000
"""Refused batches that are listed, the newest."""

_SIZE: Final = """
    SELECT sum(pg_total_relation_size(oid))::int8, (SELECT version FROM benchwatch.schema_version)
    FROM pg_class
    WHERE relnamespace = 'benchwatch'::regnamespace AND relkind IN ('r', 'p', 'm')"""

# The times of what came lately, for one reading of a clock that was wrong once is for ever the
# latest of its run.
_STATIONS: Final = """
    SELECT station, coalesce(max(newest_utc_s) FILTER (WHERE changed > last_changed
            - interval '1 hour'), max(newest_utc_s)), count(*),
        count(*) FILTER (WHERE ended_utc_s IS NULL), max(changed),
        (SELECT count(*) FROM benchwatch.refused AS r
            WHERE r.station = runs.station AND r.at > now() - interval '1 day')
    FROM (SELECT station, coalesce(newest_utc_s, last_utc_s) AS newest_utc_s, ended_utc_s, changed,
            max(changed) OVER (PARTITION BY station) AS last_changed FROM benchwatch.runs) AS runs
    GROUP BY station ORDER BY station"""

# The server counts rows as they come; that is lost when it is killed, its last analysis is not.
_DAYS: Final = """
    SELECT c.relname, greatest(coalesce(s.n_live_tup, 0), c.reltuples, 0)::int8,
        pg_relation_size(c.oid)::int8, pg_total_relation_size(c.oid)::int8
    FROM pg_inherits
    JOIN pg_class AS c ON c.oid = inhrelid
    LEFT JOIN pg_stat_all_tables AS s ON s.relid = c.oid
    WHERE inhparent = 'benchwatch.readings'::regclass ORDER BY c.relname"""

# Of one day, through the table of all days: a reader has no right to a partition by its own name.
_COUNT_DAY: Final = "SELECT count(*) FROM benchwatch.readings WHERE utc_s >= %s AND utc_s < %s"
_COUNT_OTHER: Final = "SELECT count(*) FROM benchwatch.readings_other"

_ARCHIVED: Final = """
    SELECT day, sum(rows)::int8, bool_and(dropped IS NOT NULL) FROM benchwatch.archived
    GROUP BY day ORDER BY day"""

_REFUSED: Final = """
    SELECT at, station, stream, after, upto, why FROM benchwatch.refused
    WHERE at > now() - interval '1 day' ORDER BY at DESC, id DESC LIMIT %s"""


@dataclass(frozen=True, slots=True)
class StationStatus:
    """What the record has of a station."""

    station: str
    newest_utc_s: float | None
    """Time of the newest reading that was committed within an hour of `changed`, by the station's
    clock; None: there is no reading."""
    runs: int
    open_runs: int
    """Runs whose end the record does not have."""
    changed: datetime
    """When something of it was last committed."""
    refused: int
    """Its refused batches of the last day."""


@dataclass(frozen=True, slots=True)
class DayStatus:
    """What the record has of a day in UTC."""

    day: date | None
    """None: all days that have no partition of their own."""
    readings: int
    """Exact for few; for many by the server's statistics, near enough."""
    size_bytes: int


@dataclass(frozen=True, slots=True)
class ArchivedStatus:
    """What was written to the archive of a day."""

    day: date
    readings: int
    dropped: bool
    """Whether the archive is the only place that has it."""


@dataclass(frozen=True, slots=True)
class RefusedStatus:
    """A batch that was refused."""

    at: datetime
    station: str
    stream: str
    after: int | None
    upto: int | None
    why: str


@dataclass(frozen=True, slots=True)
class RecordStatus:
    """What a central record holds."""

    schema: int
    size_bytes: int
    stations: Sequence[StationStatus]
    days: Sequence[DayStatus]
    archived: Sequence[ArchivedStatus]
    refused: Sequence[RefusedStatus]
    """Of the last day, the newest first."""


def read_status(address: RecordAddress) -> RecordStatus:
    """Read what the record holds.

    Raises:
        RecordAway: the server does not answer.
        RecordError: the record can't be read by this program, or not with this role.
    """
    with connect(address, "benchwatch keep --status") as connection:
        check_schema(connection, address)
        with record_errors(address), connection.transaction():
            return _read(connection)


def _read(connection: "psycopg.Connection[Any]") -> RecordStatus:
    size, schema = connection.execute(_SIZE).fetchone() or (0, 0)
    return RecordStatus(
        schema=schema,
        size_bytes=size,
        stations=[StationStatus(*row) for row in connection.execute(_STATIONS)],
        days=[_day(connection, *row) for row in connection.execute(_DAYS).fetchall()],
        archived=[ArchivedStatus(*row) for row in connection.execute(_ARCHIVED)],
        refused=[RefusedStatus(*row) for row in connection.execute(_REFUSED, (MOST_REFUSED,))],
    )


def _day(
    connection: "psycopg.Connection[Any]", name: str, estimate: int, heap_bytes: int, size: int
) -> DayStatus:
    day = day_of(name)
    if estimate >= EXACT_READINGS:
        return DayStatus(day, estimate, size)
    by_size = heap_bytes // BYTES_OF_A_READING
    if by_size > 10 * EXACT_READINGS:
        return DayStatus(day, by_size, size)
    if day is None:
        row = connection.execute(_COUNT_OTHER).fetchone()
    else:
        from_s = datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()
        row = connection.execute(_COUNT_DAY, (from_s, from_s + DAY_S)).fetchone()
    return DayStatus(day, row[0] if row else 0, size)
