"""What a command reads: a file, or runs of a journal or a central record; its options."""

from collections.abc import Callable
from functools import wraps
from shlex import quote
from typing import Any, Final

import click

from benchwatch.commands.common.chosen_runs import RecordedSource, find_sources, visit_source
from benchwatch.commands.common.completed_words import FILES, RUNS, STATIONS, VISITS
from benchwatch.commands.common.journal_places import (
    JOURNAL_TO_READ,
    STATION_HELP,
    JournalPlace,
    station_option,
)
from benchwatch.commands.common.option_types import refuse_together
from benchwatch.commands.common.output import narrate
from benchwatch.commands.common.register_options import SIMULATED_PREFIX
from benchwatch.commands.common.typed_command import typed_command
from benchwatch.errors import UsageError
from benchwatch.quantity import printable
from benchwatch.recording.visit_counters import (
    APART,
)

RUN_NUMBER: Final = click.IntRange(min=1)
RUN_HELP: Final = "Read this run of the journal; benchwatch journal runs lists them."


def source_options(*, journal: bool = True) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Add the argument FILE and the options that choose runs; the command gets `source`.

    Args:
        journal: whether the command takes ``--journal`` as the journal to read.
    """

    def decorate(command: Callable[..., Any]) -> Callable[..., Any]:
        @click.argument("file", required=False, shell_complete=FILES)
        @click.option("--run", metavar="N", type=RUN_NUMBER, shell_complete=RUNS, help=RUN_HELP)
        @station_option
        @visit_options
        @wraps(command)
        def with_source(
            *args: Any,
            file: str | None,
            run: int | None,
            station: str | None,
            visit: str | None,
            sim: bool,
            read_journal: JournalPlace | None = None,
            **rest: Any,
        ) -> Any:
            files = () if file is None else (file,)
            visit = typed_visit(visit, sim=sim)
            stations = () if station is None else (station,)
            if visit is None:
                typed = () if run is None else (run,)
                (source,) = find_sources(files, typed, read_journal, stations)
            else:
                refuse_together(("--run", run is not None), ("--visit", True))
                source = visit_source(visit, files, read_journal, station)
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
    @click.option(
        "--station",
        "stations",
        metavar="NAME",
        multiple=True,
        shell_complete=STATIONS,
        help=f"{STATION_HELP} May be given again.",
    )
    @visit_options
    @journal_to_read_option
    @wraps(command)
    def with_sources(
        *args: Any,
        files: tuple[str, ...],
        runs: tuple[int, ...],
        stations: tuple[str, ...],
        visit: str | None,
        sim: bool,
        read_journal: JournalPlace | None,
        **rest: Any,
    ) -> Any:
        visit = typed_visit(visit, sim=sim)
        if visit is None:
            found = find_sources(files, runs, read_journal, stations)
            return command(*args, sources=found, **rest)
        refuse_together(("--run", bool(runs)), ("--visit", True))
        if len(stations) > 1:
            raise UsageError("--visit is of one station: give --station once.")
        source = visit_source(visit, files, read_journal, next(iter(stations), None))
        return command(*args, sources=(source,), **rest)

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
    type=JOURNAL_TO_READ,
    help="The journal to read, or the address of a central record, where no FILE is given; the "
    "journal that watch uses if left out.",
)


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
