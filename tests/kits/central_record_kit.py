"""Central records for tests, and what is in them, read without the program's own readers."""

import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

from batch_kit import MADE_RUN
from server_kit import Database

from benchwatch.central_record.batches import SentEvents
from benchwatch.central_record.group_writer import GroupWriter
from benchwatch.central_record.record_address import parse_record
from benchwatch.central_record.record_connection import connect
from benchwatch.central_record.record_schema import initialise
from benchwatch.central_record.record_steps import KEEPER_ROLE
from benchwatch.relay.batch import RunBatch

NOW_S = float(int(time.time()))
"""Whole seconds, so that made times are exact."""


def made_record(database: Database) -> None:
    """Make a database a central record, and let its keeper's role log in."""
    initialise(parse_record(database.url))
    with database.connect() as connection:
        connection.execute(f"ALTER ROLE {KEEPER_ROLE} LOGIN")


def emptied(database: Database) -> Database:
    """Return a central record after taking all rows out of it."""
    tables = (
        "runs", "readings", "gaps", "marks", "records", "notes", "chains", "entries", "refused",
        "archived", "dropped_numbers",
    )  # fmt: skip
    with database.connect() as connection:
        listed = ", ".join(f"benchwatch.{table}" for table in tables)
        connection.execute(f"TRUNCATE {listed}".encode())
    return database


@contextmanager
def group_writer(database: Database, role: str = KEEPER_ROLE) -> Iterator[GroupWriter]:
    """Open a writer with the rights of a keeper."""
    address = parse_record(database.url_of(role))
    with connect(address, "test") as connection:
        yield GroupWriter(connection, address)


def reading(number: int, utc_s: float | None = None, text: str = "10000000.01") -> tuple[Any, ...]:
    """Return the row of a reading."""
    return (number, NOW_S + number if utc_s is None else utc_s, float(number), 0.1, text, 1e-3, "")


def sent(
    numbers: Iterable[int] = (), after: int = 0, to: int | None = None, *,
    station: str = "tide-007", key: int = 7, rows: Sequence[tuple[Any, ...]] | None = None,
    **more: Any,
) -> SentEvents:  # fmt: skip
    """Return a batch of readings of a run; `more` are other parts of the batch."""
    readings = [reading(number) for number in numbers] if rows is None else list(rows)
    end = max([after, *(row[0] for row in readings)]) if to is None else to
    run = more.pop("run", MADE_RUN)
    batch = RunBatch(replace(run, key=key), after, end, readings, **more)
    return SentEvents(station, batch, b"payload")


def rows(database: Database, query: str, *values: object) -> list[tuple[Any, ...]]:
    """Return what a query finds, as the owner."""
    with database.connect() as connection:
        return connection.execute(query.encode(), values).fetchall()


def numbers_in(database: Database, table: str = "readings") -> list[tuple[str, int, int]]:
    """Return station, run and number of all events of a table, sorted."""
    return rows(
        database,
        f"SELECT station, run, number FROM benchwatch.{table} JOIN benchwatch.runs"
        " USING (run_id) ORDER BY station, run, number",
    )
