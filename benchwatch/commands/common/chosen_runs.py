"""Finds what a command reads: a file, or runs of a journal, of a station or of a visit."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from benchwatch.central_record.record_address import is_record_address
from benchwatch.central_record.run_place import RunPlace
from benchwatch.clock import local_minute
from benchwatch.commands.common.journal_places import (
    JournalPlace,
    at_station,
    has_stations,
    journal_place,
    one_station,
    station_of_run,
    station_of_visit,
)
from benchwatch.commands.common.output import narrate
from benchwatch.commands.common.register_options import chosen_visit
from benchwatch.errors import UsageError
from benchwatch.journal import default_path
from benchwatch.journal.run_list import simulated_bench_of
from benchwatch.journal.run_source import RunSource
from benchwatch.journal.schema import JournalRun
from benchwatch.quantity import how_many, listed, printable
from benchwatch.recording import Selection
from benchwatch.recording.journal_rows import has_runs, is_journal
from benchwatch.recording.run_selection import NewestRuns, newest_runs, there_with_readings
from benchwatch.recording.text_lines import shown_name
from benchwatch.recording.visit_counters import (
    counter_names,
    counters_of,
    measured_by,
    run_ranges,
)
from benchwatch.register import Visit, read_register


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedSource:
    """A recorded file to be read."""

    path: str
    """Path of the file; ``-`` is standard input. Or the address of a central record, whose
    password is for no reader's eyes."""
    selection: Selection | None = None
    """The runs of a journal or record that are read; None: the file is neither."""
    label: str = ""
    """What to call its counters where two have one name: the run, or the name of the file."""
    counters: tuple[str, ...] = ()
    """Names of the counters that measured a visit; empty: it is no visit."""
    measured_by: str = ""
    """Sentence on which counters these are, and when; empty where it is one."""


def find_sources(
    files: tuple[str, ...],
    runs: tuple[int, ...],
    journal: JournalPlace | None,
    stations: tuple[str, ...] = (),
) -> tuple[RecordedSource, ...]:
    """Return what is read: files, or runs of one journal or central record.

    Where one of these is read and no run was typed, that is its newest watch of real counters with
    readings, of a station; which runs these are is narrated.

    Args:
        files: the typed files and addresses of central records; none: the journal.
        runs: the typed numbers of runs; none: see above.
        journal: the typed journal or record; None: the journal that ``watch`` uses by itself.
        stations: the typed stations of a record; none: that of the runs, or its only one.

    Raises:
        UsageError: options exclude each other, there is no such run or station, or there is no
            journal.
        JournalError: the journal or record can't be read.
    """
    if files and journal is not None:
        raise UsageError("FILE and --journal exclude each other: a journal can be given as FILE.")
    if runs:
        if len(set(runs)) < len(runs):
            raise UsageError("a run is given twice; give different ones.")
        if len(stations) > 1:
            raise UsageError("--run says which station: leave --station out, or give it once.")
        place = at_station(_place_of_runs(files, journal), next(iter(stations), None))
        return tuple(_run_sources(place, runs))
    places: list[JournalPlace | str] = [
        journal_place(file) if has_stations(file) else file for file in files
    ]
    places = places or [_default_journal(journal)]
    central = [one for one in places if isinstance(one, RunPlace)]
    if stations and not central:
        at_station(None, stations[0])
    if stations and len(central) > 1:
        raise UsageError("--station chooses a station of one central record: give one address.")
    found: list[RecordedSource] = []
    for one in places:
        if isinstance(one, RunPlace):
            chosen = [RunPlace(one.source, name) for name in dict.fromkeys(stations)] or [one]
            found += [_newest_source(one_station(place)) for place in chosen]
        elif isinstance(one, Path) or is_journal(one):
            found.append(_newest_source(RunPlace(str(one))))
        else:
            found.append(RecordedSource(path=one, label=_stem(one)))
    return tuple(found)


def visit_on_register(visit: str, journal: JournalPlace | None) -> Visit:
    """Return a visit from the register beside a journal, or from a central record.

    Args:
        visit: number of the visit, as typed; that of a simulated bench after ``sim/``.
        journal: the typed journal or record; None: the default journal.

    Raises:
        UsageError: there is no such visit.
        FileError: the register can't be read.
    """
    place, number = chosen_visit(visit, journal, sim=False)
    with read_register(place) as register:
        return register.typed_visit(number)


def record_typed(
    files: tuple[str, ...], journal: JournalPlace | None, station: str | None
) -> JournalPlace | None:
    """Return the journal or record that has a visit: a record may be typed as FILE too.

    Raises:
        UsageError: a station was typed, and no record.
    """
    central = [file for file in files if is_record_address(file)]
    return at_station(journal_place(central[0]) if central else journal, station)


def visit_source(
    visit: str,
    files: tuple[str, ...],
    journal: JournalPlace | None,
    station: str | None = None,
) -> RecordedSource:
    """Return the runs of a visit as one source; those that are not there are narrated.

    Args:
        visit: number of the visit, as typed; that of a simulated bench after ``sim/``.
        files: one file at most: a journal or an archive that has the runs, or a central record.
        journal: the typed journal, beside which the register is, or record; None: the default one.
        station: the typed station of a record; None: of all.

    Raises:
        UsageError: there is no such visit, or none of its runs is there.
        FileError: register or journal can't be read.
    """
    if len(files) > 1:
        raise UsageError("--visit chooses runs of one journal: give one FILE, or none.")
    beside = record_typed(files, journal, station)
    found = visit_on_register(visit, beside)
    names = {run.journal for run in found.runs}
    if not found.runs:
        raise UsageError(f"visit {found.number} has no runs: it was not watched here.")
    if isinstance(beside, RunPlace):
        place = station_of_visit(found, beside)
        elsewhere_words = "it has not come yet, is of another station, or is in the archive."
    else:
        usual = beside or default_path()
        last = found.runs[-1].journal or usual.name
        place = RunPlace(files[0] if files else str(usual.with_name(last)))
        elsewhere_words = "it was archived, or is in another journal. Give that as FILE."
        if not is_journal(place.source):
            raise UsageError(f"{place.shown} is no journal: give the one with its runs.")
    with place.open() as reader:
        # In the order of the register, as a clock that was set back makes dates misleading.
        there = there_with_readings(reader, (run.key for run in found.runs))
        counters = counters_of(reader, there)
    if not there:
        raise UsageError(
            f"no run of visit {found.number} with readings is in {place.shown}: {elsewhere_words}"
        )
    runs = len({run.key for run in found.runs})
    if len(there) < runs:
        several = len(names) > 1 and not place.is_central
        elsewhere = f" (journals: {listed(sorted(names))})" if several else ""
        narrate(
            f"visit {found.number} has {how_many(runs, 'run')}; {len(there)} of them with "
            f"readings in {place.shown}{elsewhere}"
        )
    return RecordedSource(
        path=place.source,
        selection=Selection(there, place.station),
        label=f"visit {found.number}",
        counters=counter_names(counters),
        measured_by=measured_by(printable(visit, 40), counters),
    )


def _stem(path: str) -> str:
    return printable(Path(path).stem)


def _newest_source(place: RunPlace) -> RecordedSource:
    """Return the newest watch of a journal or a station, and narrate which runs it has."""
    with place.open() as reader:
        newest = newest_runs(reader)
    if newest.runs:
        narrate(newest_sentence(newest, place))
    selection = replace(newest.selection, station=place.station)
    label = place.name if has_stations(place.source) else _stem(place.source)
    return RecordedSource(path=place.source, selection=selection, label=label)


def _default_journal(journal: JournalPlace | None) -> JournalPlace:
    path = journal or default_path()
    if isinstance(path, Path) and not path.exists():
        raise UsageError(
            f"there is no journal at {path} yet: give a FILE to read, or watch a counter first. "
            "Without one, benchwatch watch --sim watches a simulated bench."
        )
    return path


def _place_of_runs(files: tuple[str, ...], journal: JournalPlace | None) -> JournalPlace:
    """Return the journal or central record whose runs were typed."""
    if not files:
        return _default_journal(journal)
    if len(files) > 1:
        raise UsageError("--run chooses a run of one journal: give one FILE, or none.")
    (path,) = files
    if not has_runs(path):
        raise UsageError(f"{shown_name(path)} is no journal, and has no runs: leave --run out.")
    return journal_place(path)


def _run_sources(place: JournalPlace | None, numbers: tuple[int, ...]) -> Iterator[RecordedSource]:
    """Yield the runs with these numbers.

    Raises:
        UsageError: a number is not that of a run with readings.
    """
    if isinstance(place, RunPlace):
        with RunPlace(place.source).open_stations() as record:
            stations = [station_of_run(record, place, number) for number in numbers]
        places = [RunPlace(place.source, station) for station in stations]
    else:
        places = [RunPlace(str(place))] * len(numbers)
    for one, number in zip(places, numbers, strict=True):
        with one.open() as reader:
            run = _run_of(reader, number, one)
        selection = Selection((run.key,), one.station)
        yield RecordedSource(path=one.source, selection=selection, label=f"run {run.number}")


def _run_of(journal: RunSource, number: int, place: RunPlace) -> JournalRun:
    """Return the run with this number.

    Raises:
        UsageError: there is none, or it has no readings.
    """
    there = {run.number: run for run in journal.runs()}
    if number not in there:
        has = f"It has {run_ranges(there)}." if there else "It has no runs now."
        if journal.was_numbered(number):
            raise UsageError(
                f"run {number} was moved out of {place.shown}, as journal archive does: "
                f"give the file that has it. {has}"
            )
        raise UsageError(f"{place.shown} has no run {number}. {has}")
    run = there[number]
    if not journal.has_readings(run):
        words = journal.left_out_words(run)
        why = f" here: {words}" if words else ": give another."
        raise UsageError(f"run {number} of {place.shown} has no readings{why}")
    return run


def newest_sentence(newest: NewestRuns, place: RunPlace) -> str:
    """Say which runs are read because none was typed, and that there are newer simulated ones."""
    first = newest.runs[0]
    at = local_minute(first.started_utc_s)
    names = listed(printable(run.counter, 40) for run in newest.runs)
    simulated = simulated_bench_of(first)
    of = "" if simulated is None else f" of the simulated bench {printable(simulated, 40)}"
    text = (
        f"{run_ranges(run.number for run in newest.runs)} ({names}{of}, {at}) of "
        f"{place.shown}: the newest with readings"
    )
    if newest.newer_simulated:
        newer = run_ranges(run.number for run in newest.newer_simulated)
        text += f" of real counters; newer of simulated ones: {newer}"
    elif simulated is not None:
        text += ", all of simulated counters"
    return f"{text}. --run reads another."
