"""Where runs and registers are read: a journal and what is beside it, or a central record."""

from collections import Counter
from pathlib import Path
from typing import Any, Final

import click

from benchwatch.central_record.archive.archive_file import is_archive
from benchwatch.central_record.archive.archive_reader import ArchiveRunReader
from benchwatch.central_record.record_address import is_record_address, parse_record, shown_record
from benchwatch.central_record.run_place import RunPlace
from benchwatch.central_record.run_reader import CentralRunReader
from benchwatch.commands.common.completed_words import STATIONS
from benchwatch.errors import UsageError
from benchwatch.measured_visit.run_places import place_runs
from benchwatch.quantity import listed, printable
from benchwatch.recording.visit_counters import run_ranges
from benchwatch.register import Visit

JournalPlace = Path | RunPlace
"""A journal, or a central record."""
MOST_STATIONS: Final = 12
"""Stations that a sentence lists; of more it says how to list them."""


class JournalToRead(click.Path):
    """Path of a journal or an archive, or the address of a central record."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the path; of an address the central record, of a path of its archive that."""
        if isinstance(value, str) and has_stations(value):
            return journal_place(value)
        return value if isinstance(value, RunPlace) else super().convert(value, param, ctx)


class JournalToWrite(click.Path):
    """Path of a journal beside which, or into which, is written."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the path; refuse the address of a central record."""
        if isinstance(value, str) and is_record_address(value):
            raise UsageError(
                f"the central record {shown_record(value)} is only read: this is done at the "
                "station, and what it writes there comes into the record by itself."
            )
        return super().convert(value, param, ctx)


JOURNAL_TO_READ: Final = JournalToRead(path_type=Path)
JOURNAL_TO_WRITE: Final = JournalToWrite(path_type=Path)

STATION_HELP: Final = (
    "Only this station, of a central record (postgresql://USER@HOST/DATABASE) or its archive."
)

station_option: Final = click.option(
    "--station",
    metavar="NAME",
    shell_complete=STATIONS,
    help=STATION_HELP,
)


def journal_place(typed: str) -> JournalPlace:
    """Return the journal, the central record, or the file or folder of its archive.

    Raises:
        UsageError: an address can't be read, or the library for it is not installed.
    """
    if is_record_address(typed):
        parse_record(typed)
    return RunPlace(typed) if has_stations(typed) else Path(typed)


def has_stations(typed: str) -> bool:
    """Return whether what was typed is a central record, or a file or folder of its archive."""
    return is_record_address(typed) or is_archive(typed)


def at_station(place: JournalPlace | None, station: str | None) -> JournalPlace | None:
    """Return a place with the station that was typed.

    Raises:
        UsageError: it is no central record.
    """
    if station is None:
        return place
    if not isinstance(place, RunPlace):
        raise UsageError(
            "--station chooses a station of a central record: give the record's address, "
            "postgresql://USER@HOST/DATABASE, or a file or folder of its archive, as well."
        )
    return RunPlace(place.source, station)


def one_station(place: RunPlace) -> RunPlace:
    """Return a central record with one station: that which was typed, or its only one.

    Raises:
        UsageError: there is no such station, or there are several and none was typed.
        JournalError: the record can't be read.
    """
    with RunPlace(place.source).open_stations() as record:
        stations = record.stations(MOST_STATIONS + 1)
        if place.station is not None:
            if place.station not in stations and not record.has_station(place.station):
                raise UsageError(
                    f"{_shown(place)} has no station '{printable(place.station, 63)}'. "
                    f"{stations_words(stations)}"
                )
            return place
    if len(stations) > 1:
        raise UsageError(
            f"which station of {_shown(place)}? Type --station NAME. {stations_words(stations)}"
        )
    return RunPlace(place.source, stations[0]) if stations else place


def station_of_run(
    record: CentralRunReader | ArchiveRunReader, place: RunPlace, number: int
) -> str:
    """Return the station that has a run.

    Raises:
        UsageError: there is no such run, or it is of another station than was typed.
        JournalError: the record can't be read.
    """
    station = record.station_of(number)
    if station is None:
        has = "benchwatch journal runs with its address lists them."
        if isinstance(record, ArchiveRunReader):
            ranges = run_ranges(run.number for run in record.runs())
            has = f"It has {ranges}; benchwatch journal runs FILE lists them."
        raise UsageError(f"{_shown(place)} has no run {number}. {has}")
    if place.station not in {None, station}:
        raise UsageError(
            f"run {number} of {_shown(place)} is of the station {printable(station, 63)}: leave "
            "--station out, or give another run."
        )
    return station


def station_of_visit(visit: Visit, place: RunPlace) -> RunPlace:
    """Return a central record with the station that has most runs of a visit."""
    placed = (one.run for one in place_runs(visit, place).runs)
    stations = Counter(run.station for run in placed if run is not None)
    return RunPlace(place.source, max(stations, key=stations.__getitem__)) if stations else place


def stations_words(stations: list[str]) -> str:
    """Say which stations there are, given at most one more than are listed."""
    if not stations:
        return "It has no stations yet."
    if len(stations) > MOST_STATIONS:
        first = listed([*(printable(name, 63) for name in stations[:MOST_STATIONS]), "more"])
        return (
            f"It has {first}: benchwatch journal runs with the address of the record lists the "
            "newest runs and their stations."
        )
    names = listed(printable(name, 63) for name in stations)
    return f"It has {names}." if len(stations) > 1 else f"Its only one is {names}."


def _shown(place: RunPlace) -> str:
    return RunPlace(place.source).shown
