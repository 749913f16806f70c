"""Words that the shell completes: numbers of runs, drivers, simulated benches, counters of a bench.

They are found when the shell asks for them. What can't be read gives no words, and never an error:
nothing may be written to the terminal while somebody types. Nothing heavy is imported.

To complete other words, write a function that yields them, make a `CompletedWords` of it, put that
into `COMPLETED_WORDS`, and give it to an option or argument as ``shell_complete=``.
"""

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from benchwatch.errors import BenchwatchError

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

    from benchwatch.central_record.run_place import RunPlace
    from benchwatch.register import RegisterReader

MOST_RUNS: Final = 200
"""Newest runs whose numbers are offered."""
MOST_VISITS: Final = 100
"""Newest visits whose numbers are offered."""
MOST_STATIONS: Final = 200
"""Stations of a central record that are offered."""
RECORD_WAIT_S: Final = 2
"""Longest wait for the server of a central record."""
LONGEST_WAIT_S: Final = 0.1
"""Longest wait for a journal that another program keeps locked."""

Words = Iterable[tuple[str, str]]
"""Pairs of a word and what it means."""


@dataclass(frozen=True, slots=True)
class CompletedWords:
    """Completes the values of an option or argument; given to it as ``shell_complete=``."""

    name: str
    find: Callable[[click.Context], Words]
    """Finds the words, from the values that are typed already; it may raise any `BenchwatchError`
    and any error of reading a file."""
    or_files: bool = False
    """Whether the names of files are completed where there are no words."""
    listed: bool = False
    """Whether several words are typed with commas between them."""

    def __call__(
        self, ctx: click.Context, _param: click.Parameter, incomplete: str
    ) -> "list[CompletionItem]":
        """Return the words that begin with `incomplete`."""
        from click.shell_completion import CompletionItem  # noqa: PLC0415 - only for completion

        found: list[tuple[str, str]] = []
        try:
            found += self.find(ctx)
        except (BenchwatchError, OSError, ValueError, ImportError):
            found.clear()  # what can't be read gives no words
        if not found and self.or_files:
            return [CompletionItem(incomplete, type="file")]
        before, _, last = incomplete.rpartition(",") if self.listed else ("", "", incomplete)
        head, typed = f"{before}," if before else "", set(before.split(","))
        return [
            CompletionItem(head + word, help=about or None)
            for word, about in found
            if word.startswith(last) and word not in typed
        ]


def _run_numbers(ctx: click.Context) -> Words:
    from benchwatch.clock import local_minute  # noqa: PLC0415 - only when asked
    from benchwatch.journal import default_path  # noqa: PLC0415 - likewise
    from benchwatch.journal.journal_reader import JournalReader  # noqa: PLC0415 - likewise
    from benchwatch.quantity import printable  # noqa: PLC0415 - likewise

    place = _typed_journal(ctx) or default_path()
    if isinstance(place, Path) and not place.exists():
        return
    with (
        JournalReader(place, wait_s=LONGEST_WAIT_S)
        if isinstance(place, Path)
        else place.open_central(wait_s=RECORD_WAIT_S)
    ) as source:
        for run in reversed(source.runs(MOST_RUNS)):
            started = local_minute(run.started_utc_s)
            at = f"{run.station}, " if run.station else ""
            yield str(run.number), f"{at}{printable(run.counter, 20)}, {started}"


def _typed_journal(ctx: click.Context, option: str = "read_journal") -> "Path | RunPlace | None":
    """Return the journal or central record that is typed already, as an option or as FILE."""
    from benchwatch.central_record.record_address import is_record_address  # noqa: PLC0415 - only when asked

    # Behind an option without its value click leaves the arguments in `args`.
    files = [ctx.params.get("file"), *(ctx.params.get("files") or ()), *ctx.args]
    typed: Any = next(filter(None, [ctx.params.get(option), *files]), None)
    if typed is None or isinstance(typed, Path):
        return typed
    if isinstance(typed, str) and not is_record_address(typed):
        return Path(typed)
    from benchwatch.central_record.run_place import RunPlace  # noqa: PLC0415 - only for a record

    source = typed.source if isinstance(typed, RunPlace) else str(typed)
    stations = ctx.params.get("station") or next(iter(ctx.params.get("stations") or ()), None)
    return RunPlace(source, stations)


def _driver_names(_ctx: click.Context) -> Words:
    from benchwatch.driver_registry import drivers  # noqa: PLC0415 - only when asked

    for info in drivers().found.values():
        yield info.name, info.kind


def _simulated_benches(_ctx: click.Context) -> Words:
    from benchwatch_simulators.bench.bench_list import what_benches_show  # noqa: PLC0415 - only when asked

    yield from what_benches_show().items()


def _counters_of_bench(ctx: click.Context) -> Words:
    """Yield the names of the counters in the bench file that is typed; without one, nothing."""
    import tomllib  # noqa: PLC0415 - only when asked

    path = ctx.params.get("bench_file")
    if path is None:
        return
    typed = set(ctx.params.get("resources") or ())
    counters = tomllib.loads(Path(path).read_text("utf-8")).get("counters")
    for name in counters if isinstance(counters, dict) else ():
        if name.isprintable() and name not in typed:
            yield name, ""


def _counters_of_proof(ctx: click.Context) -> Words:
    """Yield the names of the counters of the bench file, or of the simulated bench."""
    sim = ctx.params.get("sim")
    if sim is None:
        yield from _counters_of_bench(ctx)
        return
    from benchwatch_simulators.bench.simulated_bench_file import load_plan  # noqa: PLC0415 - only when asked

    for name in load_plan(sim).counters:
        yield name, ""


def _unit_idents(ctx: click.Context) -> Words:
    """Yield the idents of the units, behind the name of the counter that is typed already."""
    with _register(ctx) as register:
        for unit in register.units():
            yield unit.ident, unit.description


def _visit_numbers(ctx: click.Context) -> Words:
    from benchwatch.clock import local_minute  # noqa: PLC0415 - only when asked
    from benchwatch.register.register_entry import short_name  # noqa: PLC0415 - only when asked

    with _register(ctx) as register:
        for visit in register.summaries(limit=MOST_VISITS):
            of = "no name yet" if visit.unit is None else visit.unit
            opened = local_minute(visit.opened_utc_s)
            yield short_name(visit.name, register.own_chain), f"{of}, {opened}"


def _visits_or_verify(ctx: click.Context) -> Words:
    yield "verify", "is a report as it was issued?"
    yield from _visit_numbers(ctx)


@contextmanager
def _register(ctx: click.Context) -> "Iterator[RegisterReader]":
    from benchwatch.journal import default_path  # noqa: PLC0415 - only when asked
    from benchwatch.register import read_register, register_path  # noqa: PLC0415 - likewise

    typed = _typed_journal(ctx) or _typed_journal(ctx, "journal") or default_path()
    simulated = bool(ctx.params.get("sim"))
    if isinstance(typed, Path):
        with read_register(register_path(typed, simulated=simulated)) as register:
            yield register
        return
    from benchwatch.central_record.register_entries import CentralRegister  # noqa: PLC0415 - likewise

    with read_register(CentralRegister(typed, simulated, wait_s=RECORD_WAIT_S)) as register:
        yield register


def _stations(ctx: click.Context) -> Words:
    """Yield the stations of the central record whose address is typed already."""
    places = (_typed_journal(ctx), _typed_journal(ctx, "journal"), _typed_journal(ctx, "path"))
    place = next((one for one in places if one is not None and not isinstance(one, Path)), None)
    if place is not None:
        with place.open_central(wait_s=RECORD_WAIT_S) as record:
            for name in record.stations(MOST_STATIONS):
                yield name, ""


def _nothing(_ctx: click.Context) -> Words:
    return ()


RUNS: Final = CompletedWords("runs", _run_numbers)
DRIVERS_OR_FILES: Final = CompletedWords("drivers_or_files", _driver_names, or_files=True)
SIMULATED_BENCHES: Final = CompletedWords("simulated_benches", _simulated_benches, or_files=True)
COUNTERS_OF_BENCH: Final = CompletedWords("counters_of_bench", _counters_of_bench, or_files=True)
COUNTERS_OF_PROOF: Final = CompletedWords("counters_of_proof", _counters_of_proof, listed=True)
STATIONS: Final = CompletedWords("stations", _stations)
FILES: Final = CompletedWords("files", _nothing, or_files=True)

UNITS: Final = CompletedWords("units", _unit_idents)
VISITS: Final = CompletedWords("visits", _visit_numbers)
VISITS_OR_VERIFY: Final = CompletedWords("visits_or_verify", _visits_or_verify)

COMPLETED_WORDS: Final = {
    words.name: words
    for words in (
        RUNS,
        DRIVERS_OR_FILES,
        SIMULATED_BENCHES,
        COUNTERS_OF_BENCH,
        COUNTERS_OF_PROOF,
        STATIONS,
        FILES,
        UNITS,
        VISITS,
        VISITS_OR_VERIFY,
    )
}
"""All of them by name, as `command_outline` names them."""
