"""Lists the runs of a journal, for people who look for an earlier one."""

from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Literal

from benchwatch.errors import JournalError
from benchwatch.journal.journal_reader import JournalReader
from benchwatch.journal.resume import is_still_written
from benchwatch.journal.run_source import RunSource
from benchwatch.journal.schema import JournalRun
from benchwatch.journal.trim_entries import json_object

RunState = Literal["ended", "watched", "cut off", "silent"]
"""It ended in order, another program still watches, or the program was killed. In a central record
a run without an end and without new readings is silent: cut off, or its station sends nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedRun:
    """One run of a journal."""

    number: int
    """Its number in this file, from 1."""
    counter: str
    resource: str
    nominal_hz: Decimal | None
    started_utc_s: float
    """Unix seconds."""
    lasted_s: float
    """From its start to its end, or to its newest reading."""
    readings: int
    state: RunState
    end_reason: str
    """Why it ended; empty if it did not end in order."""
    simulated: str | None
    """Name of the simulated bench; None: real counters."""
    station: str = ""
    """The station that has it, in a central record; empty: it is in a journal."""


def list_runs(path: Path, utc_s: float, last: int | None = None) -> list[ListedRun]:
    """Return the runs of the journal at `path`, oldest first.

    Args:
        path: the journal.
        utc_s: the present, Unix seconds.
        last: only so many of the newest runs; None: all.

    Raises:
        JournalError: there is no journal, or it can't be read.
    """
    if not path.exists():
        raise JournalError(f"there is no journal at {path} yet: benchwatch watch begins one.")
    with JournalReader(path) as journal:
        return list_runs_of(journal, utc_s, last)


def list_runs_of(source: RunSource, utc_s: float, last: int | None = None) -> list[ListedRun]:
    """Return the runs of a journal or a central record; arguments are as for `list_runs`.

    Raises:
        JournalError: it can't be read.
    """
    return [_listed(source, run, utc_s) for run in source.runs(last)]


def simulated_bench_of(run: JournalRun) -> str | None:
    """Return the name of the simulated bench that `run` watched; None: real counters."""
    name = json_object(run.settings).get("simulated_bench")
    return name if isinstance(name, str) else None


def _listed(journal: RunSource, run: JournalRun, utc_s: float) -> ListedRun:
    newest = run.ended_utc_s or journal.last_reading_utc_s(run) or run.started_utc_s
    state: RunState = "ended"
    if run.ended_utc_s is None:
        settings = json_object(run.settings)
        if run.station:
            settings.pop("process", None)  # it ran on another machine
        is_watched = is_still_written(run, settings, abs(utc_s - newest))
        state = "watched" if is_watched else "silent" if run.station else "cut off"
    return ListedRun(
        number=run.number,
        counter=run.counter,
        resource=run.resource,
        nominal_hz=run.nominal_hz,
        started_utc_s=run.started_utc_s,
        lasted_s=max(0.0, newest - run.started_utc_s),
        readings=journal.count_readings(run),
        state=state,
        end_reason=run.end_reason,
        simulated=simulated_bench_of(run),
        station=run.station,
    )
