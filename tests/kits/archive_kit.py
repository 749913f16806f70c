"""A central record with days of made readings, a journal of the same, and the archive of both."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow.parquet as pq
from server_kit import Database, database

from benchwatch.central_record.archive.archiving import DayDone, archive
from benchwatch.central_record.archive.retention import drop_archived
from benchwatch.central_record.record_address import parse_record
from benchwatch.central_record.record_connection import connect
from benchwatch.central_record.record_schema import initialise
from benchwatch.journal.schema import JournalRun, prepare, run_row

if TYPE_CHECKING:
    from psycopg import Connection

Place = tuple[str, int, int, str]
"""Station, run, number and text of a reading."""
Made = tuple[int, float, float, float | None, str, float, str]
"""Number, Unix seconds, elapsed seconds, gate, text, resolution, flags."""


_BEGUN = datetime.now(UTC)
"""The present for all tests of the process, so that none minds when midnight passes."""


def day_ago(days: int) -> date:
    """Return the day (UTC) so many days before the tests were begun."""
    return _BEGUN.date() - timedelta(days=days)


def midnight_s(day: date) -> float:
    """Return the Unix seconds at which a day begins."""
    return datetime.combine(day, datetime.min.time(), UTC).timestamp()


def white_noise(day: date, count: int, *, seed: int, step_s: float = 1.0) -> list[Made]:
    """Make readings of a day, whose times vary as those of a busy computer do."""
    made = np.random.default_rng(seed)
    at_s = np.arange(count) * step_s + made.normal(0, 1e-3, count) + 1.0
    texts = [f"{value:.4f}" for value in 1e7 + made.normal(0, 0.01, count)]
    begin_s = midnight_s(day)
    return [
        (3 * i + seed, begin_s + s, s + 0.25, 1.0, text, 1e-4, "")
        for i, (s, text) in enumerate(zip(at_s.tolist(), texts, strict=True))
    ]


ODD: list[tuple[float | None, str, str]] = [
    (None, "10000000.00000000000000000000001", ""),
    (0.1, "1E+7", "spike,repeat"),
    (1e-9, "10000000", "internal-timebase"),
    (1.0, '9,"9', "a\nb"),
    (1.0, "9\r", "\r\n"),
    (1.0, "NULL", "\\N"),
    (1.0, ' "" ', "'"),
    (1.0, "\\", "#\u2028\U0001f600\x1a\x7f"),
    (1e300, "9" * 60_000, ";\t|"),
]
"""Gates, texts and flags that a format could spoil."""


def odd_readings(day: date) -> list[Made]:
    """Make readings with values that a format could spoil."""
    begin_s = midnight_s(day) + 43_200
    return [
        (2**62 + i, begin_s + i / 3, 0.1 + 0.2 + i, gate_s, text, 5e-324, flags)
        for i, (gate_s, text, flags) in enumerate(ODD)
    ]


@dataclass
class MadeRecord:
    """A central record, and how it is archived and trimmed."""

    made: Database
    owner: "Connection[Any]"

    @property
    def keeper(self) -> str:
        """A role with the rights of the keeper's."""
        return f"keeper_of_{self.made.name}"

    def add(self, station: str, run: int, readings: list[Made], counter: str = "main") -> None:
        """Add readings of a run, as a keeper does."""
        for day in sorted({datetime.fromtimestamp(row[1], UTC).date() for row in readings}):
            self.owner.execute("SELECT benchwatch.make_day(%s)", (day,))
        self.owner.execute(
            "INSERT INTO benchwatch.runs (station, run, watch, counter, resource, driver, "
            "started_utc_s, nominal_hz, identity, time_base, settings, end_reason) VALUES "
            "(%s, %s, %s, %s, '', 'scpi', %s, '10000000', 'made', 'external', '{}', '') "
            "ON CONFLICT DO NOTHING",
            (station, run, run, counter, readings[0][1] - readings[0][2]),
        )
        (run_id,) = self.owner.execute(
            "SELECT run_id FROM benchwatch.runs WHERE station = %s AND run = %s", (station, run)
        ).fetchone() or (0,)
        with self.owner.cursor().copy(
            "COPY benchwatch.readings (run_id, number, utc_s, elapsed_s, gate_s, text, "
            "resolution_hz, flags) FROM STDIN"
        ) as copy:
            for row in readings:
                copy.write_row((run_id, *row))

    def archive(self, folder: Path, *, days: int = 7, role: str = "") -> list[DayDone]:
        """Archive what is older than so many days, with the keeper's role."""
        with self.connect(role or self.keeper) as connection:
            return list(archive(connection, folder, _BEGUN - timedelta(days=days)))

    def drop(
        self, folder: Path | None = None, *, days: int = 7, role: str = "postgres"
    ) -> list[DayDone]:
        """Drop what is archived and older than so many days, with the owner's role."""
        cutoff = _BEGUN - timedelta(days=days)
        with self.connect(role) as connection:
            return list(drop_archived(connection, folder, cutoff))

    def close(self) -> None:
        """Close the connection of the owner."""
        self.owner.close()

    def connect(self, role: str) -> "Connection[Any]":
        """Open a connection as the command does."""
        return connect(parse_record(self.made.url_of(role)), "test", statement_timeout="0")

    def count(self, day: date) -> int:
        """Count the readings of a day that are in the record."""
        begin_s = midnight_s(day)
        return int(
            self.one("SELECT count(*) FROM benchwatch.readings WHERE utc_s >= %s AND utc_s < %s",
                     begin_s, begin_s + 86400)
        )  # fmt: skip

    def everywhere(self, folder: Path) -> list[Place]:
        """Return all readings in the record and in files of dropped days, sorted."""
        there = self.owner.execute(
            "SELECT station, run, number, text FROM benchwatch.readings"
            " JOIN benchwatch.runs USING (run_id)"
        ).fetchall()
        dropped = self.owner.execute(
            "SELECT file FROM benchwatch.archived WHERE dropped IS NOT NULL"
        ).fetchall()
        names = ("station", "run", "number", "text")
        for (file,) in dropped:
            table = pq.read_table(folder / Path(str(file)).name, columns=list(names)).to_pydict()
            there += list(zip(*(table[name] for name in names), strict=True))
        return sorted((station, run, number, text) for station, run, number, text in there)

    @contextmanager
    def closed(self) -> Iterator[None]:
        """Close the connection of the owner meanwhile, as for copying the database."""
        self.owner.close()
        yield
        self.owner = self.made.connect()

    def notes(self) -> list[tuple[Any, ...]]:
        """Return day, part, rows and whether it was dropped of every noted file."""
        return self.owner.execute(
            "SELECT day, part, rows, dropped IS NOT NULL FROM benchwatch.archived ORDER BY 1, 2"
        ).fetchall()

    def one(self, query: str, *values: object) -> Any:
        """Return the only value of a query."""
        found = self.owner.execute(query.encode(), values).fetchone()
        assert found is not None
        return found[0]


@contextmanager
def made_record(*, own_server: bool = False) -> Iterator[MadeRecord]:
    """Make an empty central record with a keeper; `own_server`: in one that may be killed."""
    with database(own_server=own_server) as made:
        initialise(parse_record(made.url))
        record = MadeRecord(made, made.connect())
        with closing(record):
            record.owner.execute(
                f"CREATE ROLE {record.keeper} LOGIN IN ROLE benchwatch_keeper".encode()
            )
            yield record


def journal_with(path: Path, run: int, readings: list[Made], counter: str = "main") -> JournalRun:
    """Write a journal with one run of made readings; return the run."""
    made = JournalRun(
        key=run,
        watch=run,
        counter=counter,
        resource="",
        driver="scpi",
        started_utc_s=readings[0][1] - readings[0][2],
        nominal_hz=Decimal(10_000_000),
        time_base="external",
    )
    with closing(sqlite3.connect(path, isolation_level=None)) as journal:
        prepare(journal, path)
        journal.execute(*run_row(made))
        rows = [(run, *row) for row in readings]
        journal.executemany("INSERT INTO readings VALUES (?,?,?,?,?,?,?,?)", rows)
    return made
