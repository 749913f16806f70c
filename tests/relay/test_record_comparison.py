"""The comparison of journals and central record sees each kind of fault that is planted by hand."""

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from record_comparison import ENTRY, EVENTS, RUN, compare_record
from server_kit import Database, database

from benchwatch.central_record.record_address import parse_record
from benchwatch.central_record.record_schema import initialise
from benchwatch.journal import Journal

RUN_KEY = 1 << 45
AT = 1_900_000_000.0


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Return a journal with a run and events of each kind, and a register with an entry."""
    folder = tmp_path_factory.mktemp("station")
    Journal(folder / "journal.sqlite").close()
    with closing(sqlite3.connect(folder / "journal.sqlite")) as connection:
        connection.execute(
            f"INSERT INTO runs ({RUN}) VALUES (?,1,'main','r','d',?,'10000000','','external',1.0,"
            "'{}',NULL,'')",
            (RUN_KEY, AT),
        )
        for number in range(1, 9):
            values = (RUN_KEY, number, AT + number, number, 1.0, f"1000000{number}.0", 1e-4, "")
            connection.execute("INSERT INTO readings VALUES (?,?,?,?,?,?,?,?)", values)
        connection.execute("INSERT INTO gaps VALUES (?,9,?,9.0,2.5,'cut')", (RUN_KEY, AT))
        connection.execute("INSERT INTO marks VALUES (?,10,?,10.0,'a mark')", (RUN_KEY, AT))
        connection.execute("INSERT INTO records VALUES (?,11,?,1.0,'found','{}')", (RUN_KEY, AT))
        connection.execute(
            "INSERT INTO notes (run, number, kind, utc_s, elapsed_s, document)"
            " VALUES (?,12,'pull',?,1.0,'[]')", (RUN_KEY, AT),
        )  # fmt: skip
        connection.commit()
    with closing(sqlite3.connect(folder / "register.sqlite")) as connection:
        connection.execute(f"CREATE TABLE entries (chain, {ENTRY})")
        entry = ("c", 1, "2030-03-17T17:46:40Z", "me", "chain", None, None, None, "{}", "00")
        connection.execute("INSERT INTO entries VALUES (?,?,?,?,?,?,?,?,?,?)", entry)
        connection.commit()
    return folder / "journal.sqlite", folder / "register.sqlite"


@pytest.fixture
def record(files: tuple[Path, Path]) -> Iterator[Database]:
    """Yield a central record with the same rows, which were written by hand."""
    with database() as made:
        initialise(parse_record(made.url))
        with made.connect() as record, closing(sqlite3.connect(files[0])) as journal:
            marks = ",".join(["%s"] * 13)
            row = journal.execute(f"SELECT {RUN} FROM runs").fetchone()
            record.execute(
                f"INSERT INTO benchwatch.runs (station, {RUN}) VALUES ('tide-001', {marks})", row
            )
            for table, columns in EVENTS.items():
                for event in journal.execute(f"SELECT {columns} FROM {table}"):
                    marks = ",".join(["%s"] * len(event))
                    record.execute(
                        f"INSERT INTO benchwatch.{table} (run_id, {columns}) VALUES (1, {marks})",
                        event,
                    )
            with closing(sqlite3.connect(files[1])) as register:
                for chain, *entry in register.execute(f"SELECT chain, {ENTRY} FROM entries"):
                    record.execute(
                        "INSERT INTO benchwatch.chains (station, chain) VALUES ('tide-001', %s)"
                        " ON CONFLICT DO NOTHING", (chain,),
                    )  # fmt: skip
                    marks = ",".join(["%s"] * len(entry))
                    record.execute(
                        f"INSERT INTO benchwatch.entries (chain_id, {ENTRY}) VALUES (1, {marks})",
                        entry,
                    )
        yield made


def test_the_same_rows_are_found_the_same(record: Database, files: tuple[Path, Path]) -> None:
    """Every event and entry is compared, and the row of the run."""
    found = compare_record(record.url, {"tide-001": files})

    assert found.is_clean, str(found)
    assert found.events == 12 + 1


def test_a_station_whose_files_are_elsewhere_is_named(
    record: Database, files: tuple[Path, Path]
) -> None:
    """As a station of one's own that sends to the record of a trial: nothing of it is invented."""
    with record.connect() as connection:
        connection.execute(
            f"INSERT INTO benchwatch.runs (station, {RUN})"
            f" SELECT 'workshop', {RUN} FROM benchwatch.runs"
        )
    every = compare_record(record.url, {"tide-001": files})
    given = compare_record(record.url, {"tide-001": files}, all_stations=False)

    assert every.invented == 1
    assert given.is_clean
    assert str(given).endswith("not compared, as no journal of them is here: workshop")


ON_ANOTHER_DAY = (
    "INSERT INTO benchwatch.readings (run_id, number, utc_s, elapsed_s, gate_s, resolution_hz,"
    " text, flags) SELECT run_id, number, extract(epoch FROM now()), elapsed_s, gate_s,"
    " resolution_hz, text, flags FROM benchwatch.readings WHERE number = 5"
)
"""A second copy in another partition, where it is no conflict."""


@pytest.mark.parametrize(
    ("statement", "planted"),
    [
        ("DELETE FROM benchwatch.readings WHERE number = 5", {"lost": 1}),
        ("DELETE FROM benchwatch.gaps", {"lost": 1}),
        ("DELETE FROM benchwatch.entries", {"lost": 1}),
        (ON_ANOTHER_DAY, {"doubled": 1}),
        ("UPDATE benchwatch.readings SET text = '10000005.1' WHERE number = 5", {"different": 1}),
        ("UPDATE benchwatch.readings SET gate_s = NULL WHERE number = 5", {"different": 1}),
        ("UPDATE benchwatch.readings SET utc_s = utc_s + 1e-6 WHERE number = 5", {"different": 1}),
        ("UPDATE benchwatch.marks SET text = 'another'", {"different": 1}),
        ("UPDATE benchwatch.runs SET end_reason = 'stopped'", {"different": 1}),
        ("UPDATE benchwatch.entries SET who = 'another'", {"different": 1}),
        ("UPDATE benchwatch.readings SET number = 50 WHERE number = 5", {"lost": 1, "invented": 1}),
        ("UPDATE benchwatch.runs SET station = 'tide-002'", {"lost": 13, "invented": 13}),
    ],
)
def test_a_planted_fault_is_seen(
    record: Database, files: tuple[Path, Path], statement: str, planted: dict[str, int]
) -> None:
    """One row that is missing, there twice, changed, or of another run or station."""
    with record.connect() as connection:
        connection.execute(statement)
    found = compare_record(record.url, {"tide-001": files})

    kinds = ("lost", "doubled", "different", "invented")
    assert {kind: getattr(found, kind) for kind in kinds} == dict.fromkeys(kinds, 0) | planted
    assert not found.is_clean
    assert found.examples


def test_a_second_journal_of_a_station_counts_too(
    record: Database, files: tuple[Path, Path], tmp_path: Path
) -> None:
    """Its run is missing in the record, with all events."""
    other = tmp_path / "moved.sqlite"
    shutil.copy(files[0], other)
    with closing(sqlite3.connect(other)) as connection:
        for table in ("runs", *EVENTS):
            connection.execute(f"UPDATE {table} SET run = run + 1")
        connection.commit()
    found = compare_record(record.url, {"tide-001": (*files, other)})

    assert found.lost == 13
