"""Compares journals and registers of stations with the central record, row by row.

It shares no code with the product: the files are read with sqlite3, the record with psycopg.

    python tests/kits/record_comparison.py postgresql://USER@HOST/DATABASE FOLDER

compares the stations in FOLDER, each with its journal and registers in a folder of its name. Other
stations of the record are named: their journals are elsewhere.
"""

import sqlite3
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psycopg

EVENTS = {
    "readings": "number, utc_s, elapsed_s, gate_s, text, resolution_hz, flags",
    "gaps": "number, utc_s, elapsed_s, lasted_s, reason",
    "marks": "number, utc_s, elapsed_s, text",
    "records": "number, utc_s, elapsed_s, kind, document",
    "notes": "number, utc_s, elapsed_s, kind, document",
}
"""Tables of events, with the columns that both sides have."""
RUN = (
    "run, watch, counter, resource, driver, started_utc_s, nominal_hz, identity, time_base, "
    "gate_s, settings, ended_utc_s, end_reason"
)
ENTRY = "number, at, who, kind, unit, visit, amends, document, hash"
MOST_EXAMPLES = 5

Key = tuple[Any, ...]
"""Station, table, run or chain, and number; of the row of a run without a number."""


@dataclass
class RecordComparison:
    """What a comparison found; the numbers are of rows."""

    events: int = 0
    """Rows of events and entries in the journals and registers."""
    lost: int = 0
    """In a journal, and not in the record."""
    doubled: int = 0
    """More than once in the record."""
    different: int = 0
    """In both, with other values."""
    invented: int = 0
    """In the record, and in no journal."""
    left_out: list[str] = field(default_factory=list)
    """Stations of the record that were not compared, as no files of them were given."""
    examples: list[str] = field(default_factory=list)
    """The first of them, in words."""

    @property
    def is_clean(self) -> bool:
        """Whether journals and record are the same."""
        return not (self.lost or self.doubled or self.different or self.invented)

    def __str__(self) -> str:
        """Return all numbers, and the examples."""
        counts = (
            f"{self.events} events: {self.lost} lost, {self.doubled} doubled, "
            f"{self.different} different, {self.invented} invented"
        )
        if self.left_out:
            counts += f"; not compared, as no journal of them is here: {', '.join(self.left_out)}"
        return "\n".join((counts, *self.examples))

    def count(self, kind: str, key: Key, *values: object) -> None:
        """Count a fault, which is the name of a field, and keep the first ones as examples."""
        setattr(self, kind, getattr(self, kind) + 1)
        if len(self.examples) < MOST_EXAMPLES:
            self.examples.append(f"{kind}: {key} {' / '.join(map(repr, values))}")


def compare_record(
    url: str,
    files: Mapping[str, Sequence[Path]],
    spoiled_by: str | None = None,
    *,
    all_stations: bool = True,
) -> RecordComparison:
    """Compare the record with the files of its stations.

    Args:
        url: of the database.
        files: the journals and registers of each station; no run is in two of them.
        all_stations: whether all stations of the record are in `files`; others are then invented.
        spoiled_by: a statement that is executed before and undone afterwards, to show that the
            comparison sees what it does.
    """
    found = RecordComparison()
    with psycopg.connect(url) as connection:
        if spoiled_by is not None:
            connection.execute(spoiled_by)
        known = {row[0] for row in connection.execute("SELECT station FROM benchwatch.runs")}
        known |= {row[0] for row in connection.execute("SELECT station FROM benchwatch.chains")}
        if not all_stations:
            found.left_out = sorted(known - set(files))
            known &= set(files)
        for station in sorted(known | set(files)):
            there = (row for path in files.get(station, ()) for row in _of_file(path))
            _compare(found, station, there, _of_record(connection, station))
        connection.rollback()
    return found


def _compare(
    found: RecordComparison,
    station: str,
    there: Iterable[tuple[Key, Key]],
    here: Iterable[tuple[Key, Key]],
) -> None:
    """Compare rows of a journal (`there`) with those of the record: key and values each."""
    journal = dict(there)
    found.events += sum(key[0] != "runs" for key in journal)
    kept: dict[Key, list[Key]] = {}
    for key, values in here:
        copies = kept.setdefault(key, [])
        if copies:
            found.count("doubled", (station, *key), copies[0], values)
        copies.append(values)
    for key, values in journal.items():
        if key not in kept:
            found.count("lost", (station, *key), values)
        elif values not in kept[key]:
            found.count("different", (station, *key), values, kept[key][0])
    for key in kept.keys() - journal.keys():
        found.count("invented", (station, *key), kept[key][0])


def _of_file(path: Path) -> Iterator[tuple[Key, Key]]:
    """Yield the rows of a journal or a register."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        connection.execute("BEGIN")
        tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
        if "entries" in tables:
            for chain, *row in connection.execute(f"SELECT chain, {ENTRY} FROM entries"):
                yield ("entries", chain, row[0]), tuple(row)
            return
        for row in connection.execute(f"SELECT {RUN} FROM runs"):
            yield ("runs", row[0]), row
        for table, columns in EVENTS.items():
            for run, *row in connection.execute(f"SELECT run, {columns} FROM {table}"):
                yield (table, run, row[0]), tuple(row)


def _of_record(
    connection: "psycopg.Connection[tuple[Any, ...]]", station: str
) -> Iterator[tuple[Key, Key]]:
    """Yield the rows that the record has of a station."""
    runs = f"SELECT {RUN} FROM benchwatch.runs WHERE station = %s"
    for row in connection.execute(runs, (station,)):
        yield ("runs", row[0]), row
    for table, columns in EVENTS.items():
        named = ", ".join(f"e.{column}" for column in columns.split(", "))
        query = (
            f"SELECT r.run, {named} FROM benchwatch.{table} e"
            " JOIN benchwatch.runs r USING (run_id) WHERE r.station = %s"
        )
        for run, *row in connection.execute(query, (station,)):
            yield (table, run, row[0]), tuple(row)
    named = ", ".join(f"e.{column}" for column in ENTRY.split(", "))
    query = (
        f"SELECT c.chain, {named} FROM benchwatch.entries e"
        " JOIN benchwatch.chains c USING (chain_id) WHERE c.station = %s"
    )
    for chain, *row in connection.execute(query, (station,)):
        yield ("entries", chain, row[0]), tuple(row)


def main(url: str, folder: str) -> int:
    """Print what the comparison of a folder of stations found; return 0 where all is the same."""
    files = {
        place.name: sorted(file for file in place.iterdir() if file.suffix in {".db", ".sqlite"})
        for place in sorted(Path(folder).iterdir())
        if place.is_dir()
    }
    found = compare_record(url, files, all_stations=False)
    print(found)
    return 0 if found.is_clean else 1


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
