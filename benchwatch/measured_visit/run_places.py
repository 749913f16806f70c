"""Finds the runs of a visit: in the journal of the register, beside it, or in a central record.

Runs keep their key when they are archived or merged into another journal.
"""

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from benchwatch.central_record.run_place import RunPlace
from benchwatch.errors import JournalError
from benchwatch.journal.journal_file import is_database, uri
from benchwatch.journal.run_source import RunSource
from benchwatch.journal.schema import APPLICATION_ID, JournalRun
from benchwatch.quantity import printable
from benchwatch.register.visit import Visit, VisitRun

GUESSED_READINGS: Final = 1 << 20
"""Readings of a run whose readings can't be counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedRun:
    """A run of a visit, and the journal or central record that has it."""

    stated: VisitRun
    """As the register has it."""
    run: JournalRun | None = None
    """None: no journal at hand has it."""
    place: RunPlace | None = None
    """Where it was found."""
    rows: int = 0
    """Readings of any kind that are there of it."""
    begin_utc_s: float = 0.0
    """When the gate of its first reading opened: its watch may have begun long before. Without a
    reading, when the watch began."""
    end_utc_s: float = 0.0
    """When it ended; of one that was cut off, when its newest reading came."""


@dataclass(slots=True)
class RunPlaces:
    """The runs of a visit in the order of the register, and what is to be said of them."""

    runs: list[PlacedRun]
    notes: list[str]
    """Sentences on runs that are in no journal at hand, and journals that can't be read."""


def place_runs(visit: Visit, where: Path | RunPlace) -> RunPlaces:
    """Find the runs of a visit in the journals of a folder, or in a central record.

    Args:
        visit: the visit.
        where: the folder of the register, or the record.
    """
    stated = {run.key: run for run in reversed(visit.runs)}
    wanted = list(dict.fromkeys(run.key for run in visit.runs))
    if isinstance(where, RunPlace):
        return _in_record(visit, where, stated, wanted)
    folder = where
    found: dict[int, PlacedRun] = {}
    notes: list[str] = []
    named = {folder / Path(run.journal).name for run in visit.runs if run.journal}
    for path in _journals(folder, named) if wanted else ():
        try:
            for placed in _runs_in(path, stated):
                key = placed.stated.key
                # While runs are moved to an archive, both files have some of their readings.
                if key not in found or placed.rows > found[key].rows:
                    found[key] = placed
        except JournalError as error:
            if path in named:
                notes.append(f"a journal of this visit can't be read: {error}")
    lost = [key for key in wanted if key not in found]
    if lost:
        notes.append(_lost_words(len(lost), len(wanted), [stated[key] for key in lost]))
    return RunPlaces([found.get(key) or PlacedRun(stated=stated[key]) for key in wanted], notes)


def _journals(folder: Path, named: set[Path]) -> Iterator[Path]:
    """Yield the journals of a folder, those that the register names first."""
    yield from sorted(path for path in named if path.is_file())
    others: list[Path] = []
    with suppress(OSError):
        others = sorted(set(folder.glob("*.db")) - named)
    for path in others:
        with suppress(OSError, sqlite3.Error):
            if is_database(path) and _is_journal(path):
                yield path


def _is_journal(path: Path) -> bool:
    with closing(sqlite3.connect(uri(path), uri=True, timeout=1.0)) as reader:
        return bool(reader.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,))


def _runs_in(path: Path, stated: dict[int, VisitRun]) -> Iterator[PlacedRun]:
    """Yield the runs of the visit that a journal has.

    Raises:
        JournalError: it can't be read.
    """
    place = RunPlace(str(path))
    with place.open() as journal:
        for run in journal.runs():
            if run.key in stated:
                yield _placed(journal, run, stated[run.key], place)


def _in_record(
    visit: Visit, where: RunPlace, stated: dict[int, VisitRun], wanted: list[int]
) -> RunPlaces:
    """Find the runs of a visit in a central record.

    Several stations may have runs of one key: by chance, or because a journal was merged into
    another one. A run of another counter is not meant; of the others, that of the station which
    sent the chain of the visit first is, or else the one with the most readings.
    """
    found: dict[int, PlacedRun] = {}
    notes: list[str] = []
    try:
        with where.open_central() as record:
            senders = record.stations_of_chain(visit.chain)
            for run in record.runs_of_keys(wanted):
                if run.counter != stated[run.key].counter:
                    continue
                placed = _placed(record, run, stated[run.key], where)
                if run.key not in found or _rank(placed, senders) > _rank(found[run.key], senders):
                    found[run.key] = placed
            for key in wanted:
                run_found = found[key].run if key in found else None
                words = "" if run_found is None else record.left_out_words(run_found)
                if run_found is not None and words:
                    notes.append(f"of run {run_found.number}, {words}")
    except JournalError as error:
        notes.append(f"the runs of this visit can't be read: {error}")
    lost = len([key for key in wanted if key not in found])
    if lost:
        which = "its run is" if len(wanted) == 1 else f"{lost} of its {len(wanted)} runs are"
        notes.append(f"{which} not in the central record (yet): what was read then is not shown.")
    return RunPlaces([found.get(key) or PlacedRun(stated=stated[key]) for key in wanted], notes)


def _rank(placed: PlacedRun, senders: list[str]) -> tuple[int, int]:
    """Return what makes a run the one that is meant; the highest is."""
    station = "" if placed.run is None else placed.run.station
    before = senders.index(station) if station in senders else len(senders)
    return -before, placed.rows


def _placed(journal: RunSource, run: JournalRun, stated: VisitRun, place: RunPlace) -> PlacedRun:
    """Return a run with its extent, which is a guess where the journal is damaged."""
    rows, begin_s, end_s = GUESSED_READINGS, run.started_utc_s, run.ended_utc_s
    with suppress(JournalError):
        _, at_s, gate_s = journal.edge(run) or (None, 0.0, 0.0)
        if isinstance(at_s, int | float) and isinstance(gate_s, int | float):
            begin_s += at_s - gate_s / 2
        end_s = end_s or journal.last_reading_utc_s(run)
        rows = journal.count_readings(run)
    return PlacedRun(
        stated=stated, run=run, place=place, rows=rows, begin_utc_s=begin_s,
        end_utc_s=max(begin_s, end_s or begin_s),
    )  # fmt: skip


def _lost_words(lost: int, runs: int, missing: Iterable[VisitRun]) -> str:
    """Write the sentence on runs that are in no journal at hand."""
    names = sorted({printable(run.journal, 60) for run in missing if run.journal})
    where = f" (the register names {', '.join(names)})" if names else ""
    are = "is" if lost == 1 else "are"
    which = "its run is" if runs == 1 else f"{lost} of its {runs} runs {are}"
    return (
        f"{which} in no journal beside the register{where}: what was read then is not shown. Put "
        "the journal or archive into the folder of the register."
    )
