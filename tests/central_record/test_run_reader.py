"""Runs are read from the central record as from the journal that they came from."""

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from filled_record_kit import central_record
from report_kit import good_visit
from server_kit import Database, database

from benchwatch.central_record import read_connection
from benchwatch.central_record.record_address import parse_record
from benchwatch.central_record.record_schema import initialise
from benchwatch.central_record.run_place import RunPlace
from benchwatch.central_record.run_reader import CentralRunReader
from benchwatch.errors import JournalError
from benchwatch.journal.journal_reader import PORTION_READINGS, JournalReader
from benchwatch.journal.run_source import RunSource
from benchwatch.journal.schema import JournalRun
from benchwatch.measured_visit.fingerprint import fingerprint_of
from benchwatch.measured_visit.run_places import place_runs

DAY_S = 86_400
RUN = "runs VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?)"


def reader_of(made: Database, station: str | None = None) -> CentralRunReader:
    """Open a record for reading."""
    return CentralRunReader(parse_record(made.url), station)


def all_of(source: RunSource, run: JournalRun) -> dict[str, Any]:
    """Return all that a source gives of a run."""
    portions = list(source.portions(run, records=True))
    return {
        "events": [
            [row for portion in portions for row in getattr(portion, kind)]
            for kind in ("readings", "gaps", "marks", "records", "notes")
        ],
        "sizes": [len(portion.readings) for portion in portions],
        "without": [len(portion.notes) for portion in source.portions(run)],
        "count": source.count_readings(run),
        "has": source.has_readings(run),
        "newest": source.last_reading_utc_s(run),
        "edges": [source.edge(run), source.edge(run, last=True)],
        "notes": [source.notes(run, kind) for kind in ("comparison", "check", "settle")],
        "timed": source.timed_notes(run, ("nudge", "tool", "settle"), 5),
        "left out": source.left_out_words(run),
    }


@pytest.fixture
def long_run(tmp_path: Path) -> Path:
    """Write a journal with a run of three portions over three days, and one without a reading."""
    path = tmp_path / "journal.db"
    with closing(JournalFile(path)) as journal, journal:
        for number in range(1, 2 * PORTION_READINGS + 500):
            utc_s = 1_935_000_000.0 + number * 20.0
            flags = "repeat" if number % 999 == 0 else ""
            journal.execute(
                "INSERT INTO readings VALUES (7,?,?,?,?,?,0.001,?)",
                (number, utc_s, number * 20.0, None if number % 7 else 1.5, f"1{number}.5", flags),
            )
        for number in (0, 5000, 5001, 9999, 20_000):
            journal.execute("INSERT INTO gaps VALUES (7,?,1.5,2.5,3.5,'silent')", (number,))
            journal.execute("INSERT INTO notes VALUES (7,?,'check',1.5,2.5,'{}')", (number,))
    return path


def JournalFile(path: Path) -> sqlite3.Connection:  # noqa: N802 - a connection to a made file
    """Make a journal with two runs."""
    from benchwatch.journal import Journal

    Journal(path).close()
    connection = sqlite3.connect(path)
    for key in (7, 8):
        connection.execute(
            f"INSERT INTO {RUN}",
            (key, 7, f"c{key}", "r", "d", 1_935_000_000.0 + key, "1E+7", "", "external", None,
             "{}", None, ""),
        )  # fmt: skip
    return connection


def test_each_run_gives_the_same_as_in_its_journal(long_run: Path) -> None:
    """All events, portion by portion, over days with partitions of their own and the rest."""
    with central_record(mast_1=long_run.parent) as filled:
        with filled.connect() as connection:
            split_into_days(connection)
        with JournalReader(long_run) as journal, reader_of(filled) as record:
            kept, read = journal.runs(), record.runs()

            assert kept == read
            assert [run.number for run in read] == [1, 2]
            assert {run.station for run in read} == {"mast-1"}
            for one, other in zip(kept, read, strict=True):
                assert all_of(journal, one) == all_of(record, other)
            assert record.runs(1) == read[1:]


def split_into_days(connection: Any) -> None:
    """Give two days in the middle of the readings partitions of their own."""
    first = int(1_935_000_000 // DAY_S) * DAY_S + DAY_S
    for number in range(2):
        begin = first + number * DAY_S
        name = f"benchwatch.day_{number}"
        connection.execute(f"CREATE TABLE {name} (LIKE benchwatch.readings)")
        connection.execute(f"CREATE UNIQUE INDEX ON {name} (run_id, number)")
        where = f"utc_s >= {begin} AND utc_s < {begin + DAY_S}"
        connection.execute(
            f"WITH moved AS (DELETE FROM benchwatch.readings_other WHERE {where} RETURNING *)"
            f" INSERT INTO {name} SELECT * FROM moved"
        )
        connection.execute(
            f"ALTER TABLE benchwatch.readings ATTACH PARTITION {name}"
            f" FOR VALUES FROM ({begin}) TO ({begin + DAY_S})"
        )


def test_only_the_days_of_a_run_are_searched(long_run: Path) -> None:
    """The plan of the query names no other partition, so that 400 days cost nothing."""
    with central_record(mast_1=long_run.parent) as filled, filled.connect() as connection:
        split_into_days(connection)
        connection.execute("UPDATE benchwatch.runs SET last_utc_s = first_utc_s + 1000")
        with reader_of(filled) as record:
            run = record.runs()[0]
            asked: list[str] = []
            plain = record._connection.ask

            def explained(query: str, values: Any = ()) -> list[tuple[Any, ...]]:
                if "FROM benchwatch.readings" in query:
                    asked.extend(line for (line,) in plain(f"EXPLAIN {query}", values))
                return plain(query, values)

            record._connection.ask = explained  # type: ignore[method-assign]
            list(record.portions(run))

    plan = "\n".join(asked)
    assert "readings_other" in plan
    assert "day_1" not in plan


def test_nothing_is_locked_between_two_portions(long_run: Path) -> None:
    """A day can be dropped while a replay of it stands still."""
    with central_record(mast_1=long_run.parent) as filled, reader_of(filled) as record:
        portions = record.portions(record.runs()[0])
        next(portions)
        with filled.connect() as connection:
            connection.execute("SET lock_timeout = '2s'")
            connection.execute("TRUNCATE benchwatch.readings")

        assert [len(portion.readings) for portion in portions] == [0]


def test_the_record_can_not_be_changed_through_a_reader(long_run: Path) -> None:
    """Whatever its account may do."""
    with (
        central_record(mast_1=long_run.parent) as filled,
        reader_of(filled) as record,
        pytest.raises(JournalError, match="read-only transaction"),
    ):
        record._connection.ask("DELETE FROM benchwatch.gaps RETURNING 1")


def test_a_server_that_goes_away_is_said(long_run: Path) -> None:
    """In the middle of a run, as an error that readers of runs expect."""
    with central_record(mast_1=long_run.parent) as filled, reader_of(filled) as record:
        portions = record.portions(record.runs()[0])
        next(portions)
        with filled.connect() as connection:
            connection.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
                " WHERE datname = current_database() AND pid <> pg_backend_pid()"
            )

        with pytest.raises(JournalError, match="does not answer"):
            list(portions)


def test_a_server_that_hangs_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It keeps no time limit of its own; the reader does."""
    monkeypatch.setattr(read_connection, "HANGS_S", 0.5)
    with database(own_server=True) as made:
        initialise(parse_record(made.url))
        with reader_of(made) as record:
            made.pause()
            try:
                with pytest.raises(JournalError, match="does not answer"):
                    record.runs()
            finally:
                made.resume()


def test_the_run_of_a_visit_is_told_from_others_of_its_key(tmp_path: Path) -> None:
    """Of another counter, or of a station that did not send the chain of the visit first."""
    made = good_visit(tmp_path / "a")
    visit = made.visit
    with central_record(mast_1=tmp_path / "a", mast_2=tmp_path / "a") as filled:
        with filled.connect() as connection:
            connection.execute(
                "INSERT INTO benchwatch.runs (station, run, watch, counter, resource, driver,"
                " started_utc_s, identity, time_base, settings, end_reason, first_utc_s,"
                " last_utc_s) SELECT 'mast-0', run, watch, 'other', resource, driver,"
                " started_utc_s, identity, time_base, settings, end_reason, first_utc_s,"
                " last_utc_s FROM benchwatch.runs WHERE station = 'mast-1'"
            )
        places = place_runs(visit, RunPlace(filled.url))
        of_second = place_runs(visit, RunPlace(filled.url, "mast-2"))
        of_other = place_runs(visit, RunPlace(filled.url, "mast-0"))
        fingerprint = fingerprint_of(visit, RunPlace(filled.url))

    assert [one.run.station for one in places.runs if one.run] == ["mast-1", "mast-1"]
    assert [one.run.station for one in of_second.runs if one.run] == ["mast-2", "mast-2"]
    assert [one.run for one in of_other.runs] == [None, None]
    assert places.notes == []
    assert fingerprint == fingerprint_of(visit, made.folder)


def test_a_run_that_has_not_come_yet_is_said(tmp_path: Path) -> None:
    """The visit's entry was sent before its run."""
    made = good_visit(tmp_path / "a")
    with central_record() as filled:
        places = place_runs(made.visit, RunPlace(filled.url))

    assert places.notes == [
        "2 of its 2 runs are not in the central record (yet): what was read then is not shown."
    ]


def test_stations_are_found_among_very_many_runs(tmp_path: Path) -> None:
    """One name after the other, those with entries alone too, and no more than asked for."""
    with central_record() as filled, filled.connect() as connection:
        connection.execute(
            "INSERT INTO benchwatch.runs (station, run, watch, counter, resource, driver,"
            " started_utc_s, identity, time_base, settings, end_reason)"
            " SELECT 'tide-' || lpad((n % 30)::text, 3, '0'), n, n, 'main', '', '', n, '', '',"
            " '{}', '' FROM generate_series(1, 3000) AS n"
        )
        connection.execute("INSERT INTO benchwatch.chains (station, chain) VALUES ('mast', 'x')")
        with reader_of(filled) as record:
            few, all_names = record.stations(3), record.stations(100)

    assert few == ["mast", "tide-000", "tide-001"]
    assert len(all_names) == 31
    assert sorted(all_names) == all_names
