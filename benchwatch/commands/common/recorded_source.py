"""What a command reads: a recorded file, or runs of a journal; the options that choose it."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from shlex import quote
from typing import Any, Final

import click

from benchwatch.clock import local_minute
from benchwatch.commands.common.completed_words import FILES, RUNS, VISITS
from benchwatch.commands.common.option_types import refuse_together
from benchwatch.commands.common.output import narrate
from benchwatch.commands.common.register_options import SIMULATED_PREFIX
from benchwatch.commands.common.typed_command import typed_command
from benchwatch.errors import UsageError
from benchwatch.journal import default_path
from benchwatch.journal.journal_reader import JournalReader
from benchwatch.journal.run_list import simulated_bench_of
from benchwatch.journal.schema import JournalRun
from benchwatch.quantity import how_many, listed, printable
from benchwatch.recording import Selection
from benchwatch.recording.journal_rows import is_journal
from benchwatch.recording.run_selection import NewestRuns, newest_runs, there_with_readings
from benchwatch.recording.text_lines import shown_name
from benchwatch.recording.visit_counters import (
    APART,
    counter_names,
    counters_of,
    measured_by,
    run_ranges,
)
from benchwatch.register import Visit, read_register, register_path

RUN_NUMBER: Final = click.IntRange(min=1)
RUN_HELP: Final = "Read this run of the journal; benchwatch journal runs lists them."


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedSource:
    """A recorded file to be read."""

    path: str
    """Path of the file; ``-`` is standard input."""
    selection: Selection | None = None
    """The runs of a journal that are read; None: the file is no journal."""
    label: str = ""
    """What to call its counters where two have one name: the run, or the name of the file."""
    counters: tuple[str, ...] = ()
    """Names of the counters that measured a visit; empty: it is no visit."""
    measured_by: str = ""
    """Sentence on which counters these are, and when; empty where it is one."""


def source_options(*, journal: bool = True) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Add the argument FILE and the options that choose runs; the command gets `source`.

    Args:
        journal: whether the command takes ``--journal`` as the journal to read.
    """

    def decorate(command: Callable[..., Any]) -> Callable[..., Any]:
        @click.argument("file", required=False, shell_complete=FILES)
        @click.option("--run", metavar="N", type=RUN_NUMBER, shell_complete=RUNS, help=RUN_HELP)
        @visit_options
        @wraps(command)
        def with_source(
            *args: Any,
            file: str | None,
            run: int | None,
            visit: str | None,
            sim: bool,
            read_journal: Path | None = None,
            **rest: Any,
        ) -> Any:
            files = () if file is None else (file,)
            visit = typed_visit(visit, sim=sim)
            if visit is None:
                typed = () if run is None else (run,)
                (source,) = find_sources(files, typed, read_journal)
            else:
                refuse_together(("--run", run is not None), ("--visit", True))
                source = visit_source(visit, files, read_journal)
            return command(*args, source=source, **rest)

        return journal_to_read_option(with_source) if journal else with_source

    return decorate


def sources_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the arguments FILES and the options that choose runs; the command gets `sources`."""

    @click.argument("files", nargs=-1, shell_complete=FILES)
    @click.option(
        "--run",
        "runs",
        metavar="N",
        type=RUN_NUMBER,
        multiple=True,
        shell_complete=RUNS,
        help=f"{RUN_HELP} May be given again.",
    )
    @visit_options
    @journal_to_read_option
    @wraps(command)
    def with_sources(
        *args: Any,
        files: tuple[str, ...],
        runs: tuple[int, ...],
        visit: str | None,
        sim: bool,
        read_journal: Path | None,
        **rest: Any,
    ) -> Any:
        visit = typed_visit(visit, sim=sim)
        if visit is None:
            return command(*args, sources=find_sources(files, runs, read_journal), **rest)
        refuse_together(("--run", bool(runs)), ("--visit", True))
        return command(*args, sources=(visit_source(visit, files, read_journal),), **rest)

    return with_sources


def visit_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add ``--visit`` and ``--sim``; the command gets them as `visit` and `sim`."""
    visit = click.option(
        "--visit",
        metavar="N",
        shell_complete=VISITS,
        help="Read all runs of this visit; benchwatch visits lists them.",
    )
    sim = click.option(
        "--sim", is_flag=True, help="It is a visit of a simulated bench; as --visit sim/N."
    )
    return visit(sim(command))


journal_to_read_option: Final = click.option(
    "--journal",
    "read_journal",
    type=click.Path(path_type=Path),
    help="The journal to read, where no FILE is given; the one that watch uses if left out.",
)


def find_sources(
    files: tuple[str, ...], runs: tuple[int, ...], journal: Path | None
) -> tuple[RecordedSource, ...]:
    """Return what is read: files, or runs of one journal.

    Where a journal is read and no run was typed, that is its newest watch of real counters with
    readings; which runs these are is narrated.

    Args:
        files: the typed files; none: the journal.
        runs: the typed numbers of runs; none: see above.
        journal: the typed journal; None: the one that ``watch`` uses by itself.

    Raises:
        UsageError: options exclude each other, there is no such run, or there is no journal.
        JournalError: the journal can't be read.
    """
    if files and journal is not None:
        raise UsageError("FILE and --journal exclude each other: a journal can be given as FILE.")
    if runs:
        path = _journal_of_runs(files, journal)
        with JournalReader(Path(path)) as reader:
            found = _runs_of(reader, runs, path)
        return tuple(
            RecordedSource(path=path, selection=Selection((run.key,)), label=f"run {run.number}")
            for run in found
        )
    if files:
        return tuple(_file_source(path) for path in files)
    return (_newest_source(str(_default_journal(journal))),)


def typed_visit(visit: str | None, *, sim: bool) -> str | None:
    """Return the visit that was typed; that of a simulated bench after ``sim/``.

    Raises:
        UsageError: a simulated bench was typed without a visit.
    """
    if visit is None:
        if sim:
            raise UsageError("--sim says which visits are meant: give one with --visit N.")
        return None
    is_prefixed = visit.startswith(SIMULATED_PREFIX)
    return f"{SIMULATED_PREFIX}{visit}" if sim and not is_prefixed else visit


def visit_on_register(visit: str, journal: Path | None) -> Visit:
    """Return a visit from the register beside a journal.

    Args:
        visit: number of the visit, as typed; that of a simulated bench after ``sim/``.
        journal: the typed journal; None: the default one.

    Raises:
        UsageError: there is no such visit.
        FileError: the register can't be read.
    """
    simulated = visit.startswith(SIMULATED_PREFIX)
    with read_register(register_path(journal or default_path(), simulated=simulated)) as register:
        return register.typed_visit(visit.removeprefix(SIMULATED_PREFIX))


def visit_source(visit: str, files: tuple[str, ...], journal: Path | None) -> RecordedSource:
    """Return the runs of a visit as one source; those that are not in the journal are narrated.

    Args:
        visit: number of the visit, as typed; that of a simulated bench after ``sim/``.
        files: one file at most: a journal or an archive that has the runs.
        journal: the typed journal, beside which the register is; None: the default one.

    Raises:
        UsageError: there is no such visit, or none of its runs is in the journal.
        FileError: register or journal can't be read.
    """
    if len(files) > 1:
        raise UsageError("--visit chooses runs of one journal: give one FILE, or none.")
    beside = journal or default_path()
    found = visit_on_register(visit, beside)
    names = {run.journal for run in found.runs}
    if not found.runs:
        raise UsageError(f"visit {found.number} has no runs: it was not watched here.")
    path = Path(files[0]) if files else beside.with_name(found.runs[-1].journal or beside.name)
    if not is_journal(str(path)):
        raise UsageError(f"{shown_name(str(path))} is no journal: give the one with its runs.")
    with JournalReader(path) as reader:
        # In the order of the register, as a clock that was set back makes dates misleading.
        there = there_with_readings(reader, (run.key for run in found.runs))
        counters = counters_of(reader, there)
    if not there:
        raise UsageError(
            f"no run of visit {found.number} with readings is in {shown_name(str(path))}: it was "
            "archived, or is in another journal. Give that as FILE."
        )
    runs = len({run.key for run in found.runs})
    if len(there) < runs:
        elsewhere = "" if len(names) == 1 else f" (journals: {listed(sorted(names))})"
        narrate(
            f"visit {found.number} has {how_many(runs, 'run')}; {len(there)} of them with "
            f"readings in {shown_name(str(path))}{elsewhere}"
        )
    return RecordedSource(
        path=str(path),
        selection=Selection(there),
        label=f"visit {found.number}",
        counters=counter_names(counters),
        measured_by=measured_by(printable(visit, 40), counters),
    )


def say_counters(source: RecordedSource) -> None:
    """Narrate which counters measured a visit and when, where they are several."""
    if source.measured_by:
        narrate(source.measured_by)


def refuse_two_counters(source: RecordedSource, counter: str | None) -> None:
    """Refuse a visit of several counters where one is needed and none is typed.

    Args:
        source: what is read.
        counter: the typed name; None: none.

    Raises:
        UsageError: so it is; the sentence has the command for each counter.
    """
    if counter is None and len(source.counters) > 1:
        command = typed_command()
        each = (f"{command} --counter {quote(printable(name, 40))}" for name in source.counters)
        raise UsageError(f"{source.measured_by} {APART}: {', or '.join(each)}")


def _file_source(path: str) -> RecordedSource:
    return (
        _newest_source(path) if is_journal(path) else RecordedSource(path=path, label=_stem(path))
    )


def _stem(path: str) -> str:
    return printable(Path(path).stem)


def _newest_source(path: str) -> RecordedSource:
    """Return the newest watch of a journal, and narrate which runs it has."""
    with JournalReader(Path(path)) as reader:
        newest = newest_runs(reader)
    if newest.runs:
        narrate(newest_sentence(newest, path))
    return RecordedSource(path=path, selection=newest.selection, label=_stem(path))


def _default_journal(journal: Path | None) -> Path:
    path = journal or default_path()
    if not path.exists():
        raise UsageError(
            f"there is no journal at {path} yet: give a FILE to read, or watch a counter first. "
            "Without one, benchwatch watch --sim watches a simulated bench."
        )
    return path


def _journal_of_runs(files: tuple[str, ...], journal: Path | None) -> str:
    """Return the path of the journal whose runs were typed."""
    if not files:
        return str(_default_journal(journal))
    if len(files) > 1:
        raise UsageError("--run chooses a run of one journal: give one FILE, or none.")
    (path,) = files
    if not is_journal(path):
        raise UsageError(f"{shown_name(path)} is no journal, and has no runs: leave --run out.")
    return path


def _runs_of(journal: JournalReader, numbers: tuple[int, ...], path: str) -> list[JournalRun]:
    """Return the runs with these numbers.

    Raises:
        UsageError: a number is not that of a run, or is given twice.
    """
    if len(set(numbers)) < len(numbers):
        raise UsageError("a run is given twice; give different ones.")
    there = {run.number: run for run in journal.runs()}
    for number in numbers:
        if number not in there:
            has = f"It has {run_ranges(there)}." if there else "It has no runs now."
            if journal.was_numbered(number):
                raise UsageError(
                    f"run {number} was moved out of {shown_name(path)}, as journal archive does: "
                    f"give the file that has it. {has}"
                )
            raise UsageError(f"{shown_name(path)} has no run {number}. {has}")
        if not journal.has_readings(there[number]):
            raise UsageError(f"run {number} of {shown_name(path)} has no readings: give another.")
    return [there[number] for number in numbers]


def newest_sentence(newest: NewestRuns, path: str) -> str:
    """Say which runs are read because none was typed, and that there are newer simulated ones."""
    first = newest.runs[0]
    at = local_minute(first.started_utc_s)
    names = listed(printable(run.counter, 40) for run in newest.runs)
    simulated = simulated_bench_of(first)
    of = "" if simulated is None else f" of the simulated bench {printable(simulated, 40)}"
    text = (
        f"{run_ranges(run.number for run in newest.runs)} ({names}{of}, {at}) of "
        f"{shown_name(path)}: the newest with readings"
    )
    if newest.newer_simulated:
        newer = run_ranges(run.number for run in newest.newer_simulated)
        text += f" of real counters; newer of simulated ones: {newer}"
    elif simulated is not None:
        text += ", all of simulated counters"
    return f"{text}. --run reads another."
