"""Central records filled from the journals and registers of stations, by plain statements.

Nothing here is shared with the keeper: what is read back was put there by another way.
"""

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, Final

import psycopg
from server_kit import Database, database

from benchwatch.central_record.record_address import parse_record
from benchwatch.central_record.record_schema import initialise

RUN_COLUMNS: Final = (
    "run", "watch", "counter", "resource", "driver", "started_utc_s", "nominal_hz", "identity",
    "time_base", "gate_s", "settings", "ended_utc_s", "end_reason",
)  # fmt: skip
EVENT_COLUMNS: Final = {
    "readings": ("number", "utc_s", "elapsed_s", "gate_s", "resolution_hz", "text", "flags"),
    "gaps": ("number", "utc_s", "elapsed_s", "lasted_s", "reason"),
    "marks": ("number", "utc_s", "elapsed_s", "text"),
    "records": ("number", "utc_s", "elapsed_s", "kind", "document"),
    "notes": ("number", "utc_s", "elapsed_s", "kind", "document"),
}
ENTRY_COLUMNS: Final = (
    "number", "at", "who", "kind", "unit", "visit", "amends", "document", "hash",
)  # fmt: skip

Connection = psycopg.Connection[Any]


@contextmanager
def central_record(**stations: Path) -> Iterator[Database]:
    """Make a central record of the journals and registers in a folder for each station.

    The name of a station is that of its argument, with a hyphen for each underscore.
    """
    with database() as made:
        initialise(parse_record(made.url))
        for name, folder in stations.items():
            add_station(made, name.replace("_", "-"), folder)
        yield made


def add_station(made: Database, station: str, folder: Path) -> None:
    """Put all journals and registers of a folder into a record."""
    with psycopg.connect(made.url) as record:
        for path in sorted(folder.glob("*.db")):
            with closing(sqlite3.connect(path)) as file:
                names = {name for (name,) in file.execute("SELECT name FROM sqlite_master")}
                if "runs" in names:
                    _add_runs(record, station, file)
                elif "entries" in names:
                    _add_entries(record, station, file)


def _add_runs(record: Connection, station: str, journal: sqlite3.Connection) -> None:
    columns = ", ".join(f"runs.{name}" for name in RUN_COLUMNS)
    for run in journal.execute(
        f"SELECT {columns} FROM runs LEFT JOIN run_numbers USING (run)"
        " ORDER BY run_numbers.number, runs.run"
    ).fetchall():
        run_id = _inserted(record, "runs", ("station", *RUN_COLUMNS), (station, *run), "run_id")
        for table, names in EVENT_COLUMNS.items():
            rows = journal.execute(
                f"SELECT {', '.join(names)} FROM {table} WHERE run = ?", (run[0],)
            ).fetchall()
            with record.cursor().copy(
                f"COPY benchwatch.{table} (run_id, {', '.join(names)}) FROM STDIN"
            ) as copy:
                for row in rows:
                    copy.write_row((run_id, *row))
        note_extent(record, run_id)


def note_extent(record: Connection, run_id: int) -> None:
    """Note from when to when the readings of a run are, as whoever writes the record does."""
    record.execute(
        "UPDATE benchwatch.runs SET first_utc_s = found.first, last_utc_s = found.last"
        " FROM (SELECT min(utc_s) AS first, max(utc_s) AS last FROM benchwatch.readings"
        " WHERE run_id = %s) AS found WHERE run_id = %s",
        (run_id, run_id),
    )


def _add_entries(record: Connection, station: str, register: sqlite3.Connection) -> None:
    for (chain,) in register.execute("SELECT DISTINCT chain FROM entries ORDER BY chain"):
        rows = register.execute(
            f"SELECT {', '.join(ENTRY_COLUMNS)} FROM entries WHERE chain = ? ORDER BY number",
            (chain,),
        )
        add_chain(record, station, chain, rows)


def add_chain(
    record: Connection, station: str, chain: str, rows: Iterable[Sequence[object]]
) -> None:
    """Put the entries of a chain, as a station sends them, into a record."""
    chain_id = _inserted(record, "chains", ("station", "chain"), (station, chain), "chain_id")
    for row in rows:
        _inserted(record, "entries", ("chain_id", *ENTRY_COLUMNS), (chain_id, *row), "chain_id")


def _inserted(
    record: Connection, table: str, names: Sequence[str], values: Sequence[object], key: str
) -> int:
    places = ", ".join(["%s"] * len(values))
    query = f"INSERT INTO benchwatch.{table} ({', '.join(names)}) VALUES ({places}) RETURNING {key}"
    found = record.execute(query.encode(), values).fetchone()
    assert found is not None
    return int(found[0])
