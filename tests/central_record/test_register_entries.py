"""The registers of stations as one: each entry once, forks named, real and simulated apart."""

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import psycopg
import pytest
from command_kit import Command, command_in
from filled_record_kit import ENTRY_COLUMNS, add_chain, central_record
from register_kit import read_all, visit_drafts

from benchwatch.central_record.register_entries import CentralRegister
from benchwatch.central_record.run_place import RunPlace
from benchwatch.errors import RegisterError
from benchwatch.register import RegisterFile, read_register
from benchwatch.register.register_merge import merge_register

AT_S = 1_935_000_000.0


@pytest.fixture
def command(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Command:
    """Run a command in this process, with a data folder of the test's own."""
    return command_in(capsys, monkeypatch, tmp_path)


def register(folder: Path, machine: str, *units: str, simulated: bool = False) -> RegisterFile:
    """Write a register of a machine with a visit of each unit."""
    folder.mkdir(parents=True, exist_ok=True)
    name = "register-simulated.db" if simulated else "register.db"
    file = RegisterFile(folder / name, who="anna", machine=machine)
    for place, unit in enumerate(units):
        file.add(visit_drafts(unit, AT_S + place))
    return file


def chain_rows(file: RegisterFile) -> tuple[str, list[tuple[Any, ...]]]:
    """Return the first chain of a register with its rows."""
    with closing(sqlite3.connect(file.path)) as connection:
        (chain,) = connection.execute("SELECT chain FROM entries ORDER BY rowid").fetchone()
        query = f"SELECT {', '.join(ENTRY_COLUMNS)} FROM entries WHERE chain = ? ORDER BY number"
        return chain, connection.execute(query, (chain,)).fetchall()


def test_an_entry_that_several_stations_sent_is_there_once(tmp_path: Path) -> None:
    """As after a merge of one station's register into another's; the result is that register."""
    first = register(tmp_path / "a", "machine a", "0417", "0418")
    second = register(tmp_path / "b", "machine b", "0501")
    merge_register(second, first.path)
    said: list[str] = []
    with central_record(mast_1=tmp_path / "a", mast_2=tmp_path / "b") as database:
        both = CentralRegister(RunPlace(database.url), say=said.append)
        with read_register(both) as reader:
            entries = {entry.name: entry for entry in reader.entries()}
            visits = [visit.unit for visit in reader.summaries()]
        with read_register(CentralRegister(RunPlace(database.url, "mast-1"))) as reader:
            of_one = list(reader.entries())

    assert entries == {entry.name: entry for entry in read_all(second)}
    assert sorted(map(str, visits)) == ["0417", "0418", "0501"]
    assert of_one == read_all(first)
    assert said == []


def test_the_station_that_sent_a_chain_first_counts(tmp_path: Path, command: Command) -> None:
    """The other one's entries from the fork on are left out, with a sentence, and are not sound."""
    first = register(tmp_path / "a", "machine a", "0417", "0418")
    chain, rows = chain_rows(first)
    other = register(tmp_path / "b", "machine a", "0417", "0999")
    _, other_rows = chain_rows(other)
    forked = rows[:2] + other_rows[2:]
    with central_record(mast_1=tmp_path / "a") as database:
        with psycopg.connect(database.url) as connection:
            add_chain(connection, "mast-2", chain, forked)
        said: list[str] = []
        with read_register(CentralRegister(RunPlace(database.url), say=said.append)) as reader:
            entries = list(reader.entries())
        verified = command("visits", "verify", "--journal", database.url)

    assert entries == read_all(first)
    assert len(said) == 1
    assert f"entry 3 of chain {chain} is another one at mast-2 than at mast-1" in said[0]
    assert verified.code == 1
    assert said[0] in verified.err


def test_a_longer_copy_of_a_chain_adds_its_end(tmp_path: Path) -> None:
    """The station that sent it first has lost its link; what followed came by another way."""
    first = register(tmp_path / "a", "machine a", "0417", "0418")
    chain, rows = chain_rows(first)
    with central_record() as database:
        with psycopg.connect(database.url) as connection:
            add_chain(connection, "mast-1", chain, rows[:3])
            add_chain(connection, "mast-2", chain, rows)
        with read_register(CentralRegister(RunPlace(database.url))) as reader:
            entries = list(reader.entries())

    assert entries == read_all(first)


def test_visits_of_simulated_benches_are_kept_apart(tmp_path: Path, command: Command) -> None:
    """Those of a station's simulated register are listed with --sim only."""
    register(tmp_path / "a", "machine a", "0417")
    register(tmp_path / "a", "machine a", "0666", simulated=True)
    with central_record(mast_1=tmp_path / "a") as database:
        real = command("visits", "--journal", database.url, "--json").lines
        simulated = command("visits", "--journal", database.url, "--json", "--sim").lines

    assert [line["unit"] for line in real] == ["0417"]
    assert [line["unit"] for line in simulated] == ["0666"]


def test_visits_of_one_number_are_named_by_their_chains(tmp_path: Path, command: Command) -> None:
    """A number that several stations have is asked back; --station says which."""
    register(tmp_path / "a", "machine a", "0417")
    register(tmp_path / "b", "machine b", "0501")
    with central_record(mast_1=tmp_path / "a", mast_2=tmp_path / "b") as database:
        asked = command("visits", "show", "1", "--journal", database.url)
        told = command(
            "visits", "show", "1", "--journal", database.url, "--station", "mast-2", "--json"
        )

    assert asked.code == 2
    assert "several visits have the number 1, of several machines" in asked.err
    assert told.lines[0]["unit"] == "0501"


def test_an_empty_record_has_no_visits(command: Command) -> None:
    """It is said, with the address."""
    with central_record() as database:
        listed = command("visits", "--journal", database.url)
        units = command("units", "--journal", database.url)
        runs = command("journal", "runs", database.url)
        replay = command("replay", database.url)

    assert (listed.code, units.code, runs.code) == (0, 0, 0)
    assert f"there are no visits in {database.url}" in listed.err
    assert f"there are no units in {database.url}" in units.err
    assert "the central record holds no runs yet" in runs.err
    assert replay.code == 5
    assert "holds no readings" in replay.err


def test_hostile_entries_do_no_harm(tmp_path: Path, command: Command) -> None:
    """Documents that are no objects, and numbers beyond any register, are passed over or said."""
    register(tmp_path / "a", "machine a", "0417")
    row = (2**62, "\x1b[2J", "<script>", "visit", "\u202e", "x/y/z", None, "[[[[", "0")
    with central_record(mast_1=tmp_path / "a") as database:
        with psycopg.connect(database.url) as connection:
            add_chain(connection, "mast-2", "zz\x1b[31m", [row, (2**62 + 1, *row[1:3], "unit",
                      "u", None, None, "null", "0")])  # fmt: skip
        listed = command("visits", "--journal", database.url)
        verified = command("visits", "verify", "--journal", database.url)
        units = command("units", "--journal", database.url)

    for done in (listed, verified, units):
        assert done.code in {0, 1}, done.err
        assert "\x1b" not in done.out + done.err
    assert verified.code == 1
    assert "0417" in listed.out


def test_a_register_can_not_be_read_where_the_record_is_away() -> None:
    """A sentence of the register, which callers expect."""
    place = RunPlace("postgresql://desk@127.0.0.1:1/benches")

    with (
        pytest.raises(RegisterError, match="does not answer"),
        read_register(CentralRegister(place)),
    ):
        pass


def test_the_record_is_not_changed_by_reading(tmp_path: Path) -> None:
    """The register that is made of it takes no entry either."""
    register(tmp_path / "a", "machine a", "0417")
    with (
        central_record(mast_1=tmp_path / "a") as database,
        CentralRegister(RunPlace(database.url)).reading() as connection,
    ):
        assert connection is not None
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            connection.execute("INSERT INTO entries SELECT * FROM entries")
