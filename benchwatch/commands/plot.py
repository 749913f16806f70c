"""``benchwatch plot``: writes the charts of visits and units as files, SVG or PNG."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from benchwatch.central_record.register_entries import runs_of
from benchwatch.central_record.run_place import RunPlace
from benchwatch.commands.common.chosen_runs import RecordedSource
from benchwatch.commands.common.completed_words import UNITS, VISITS
from benchwatch.commands.common.journal_places import JournalPlace
from benchwatch.commands.common.output import narrate, print_text
from benchwatch.commands.common.progress import progress
from benchwatch.commands.common.recorded_deviations import (
    AskedDeviations,
    deviation_options,
    recorded_deviations,
)
from benchwatch.commands.common.recorded_source import (
    source_options,
)
from benchwatch.commands.common.register_options import (
    chosen_register,
    chosen_visit,
    journal_beside_option,
    known_unit,
    sim_register_option,
)
from benchwatch.errors import NoReadings, UsageError
from benchwatch.measured_visit.measured_visit import MeasuredVisit
from benchwatch.measured_visit.visit_reader import read_measured_visit
from benchwatch.quantity import how_many, printable
from benchwatch.reading import RECORD_KINDS, RecordKind
from benchwatch.recording.read_position import ReadPosition
from benchwatch.register import Unit, read_register
from benchwatch.register.visit import Visit, nominal_of, tolerance_of
from benchwatch.report.forms.picture_file import picture_bytes, picture_ending
from benchwatch.report.whole_file import shown_path, write_whole

if TYPE_CHECKING:
    from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
    from benchwatch.report.charts.chart import Chart

STANDARD_OUTPUT: Final = "-"


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitToPlot:
    """A visit, and its unit where it has one."""

    visit: Visit
    unit: Unit | None
    runs: Path | RunPlace
    """The folder of its register and journals, or the central record."""

    @property
    def records(self) -> "list[OffsetRecord]":
        """Its records, in the order of writing."""
        return [one.record for one in self.visit.records]

    @property
    def limits(self) -> dict[str, Any]:
        """Tolerance (fractional) and nominal (hertz), as the charts of a visit take them."""
        nominal = nominal_of(self.visit, self.unit)
        return {
            "tolerance": tolerance_of(self.visit, self.unit),
            "nominal_hz": None if nominal is None else float(nominal),
        }

    def measured(self) -> MeasuredVisit:
        """Return what the journals have of it; what they have not is narrated."""
        position = ReadPosition()
        with progress("reading the visit", position.fraction):
            measured = read_measured_visit(self.visit, self.runs, position=position)
        for note in measured.notes:
            narrate(note)
        return measured


def out_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add ``--out``, which must be given; the command gets it as `out`."""
    return click.option(
        "--out",
        required=True,
        metavar="FILE.svg|.png",
        help="The file to write; - is standard output, as SVG.",
    )(command)


def register_and_out_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add ``--out``, and the options that choose a register; the command gets journal and sim."""
    return out_option(journal_beside_option(sim_register_option(command)))


def number_and_register_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the argument NUMBER, and the options above; the command gets number, journal and sim."""
    number = click.argument("number", shell_complete=VISITS)
    return number(register_and_out_options(command))


@click.group()
def plot() -> None:
    """Write a chart as a file: SVG, or PNG (needs the extra report)."""


@plot.command()
@number_and_register_options
def visit(*, number: str, out: str, journal: JournalPlace | None, sim: bool) -> None:
    """Plot visit NUMBER. All its readings, with turns, tool, records and tolerance."""
    from benchwatch.report.charts.visit_chart import visit_chart  # noqa: PLC0415 - slow to load

    ending, found = _ending(out), _visit(number, journal, sim=sim)
    chart = visit_chart(found.measured(), records=found.records, **found.limits)
    _write(chart, out, ending, f"visit {printable(number)} has no reading and no record to draw")


@plot.command("warm-up")
@number_and_register_options
def warm_up(*, number: str, out: str, journal: JournalPlace | None, sim: bool) -> None:
    """Plot the warm-up of visit NUMBER. Its readings since power-on, and when it settled."""
    from benchwatch.report.charts.warm_up_chart import warm_up_chart  # noqa: PLC0415 - likewise

    ending, found = _ending(out), _visit(number, journal, sim=sim)
    chart = warm_up_chart(found.measured(), size="wide", **found.limits)
    _write(chart, out, ending, f"visit {printable(number)} has no reading of a warm-up")


@plot.command()
@number_and_register_options
def trim(*, number: str, out: str, journal: JournalPlace | None, sim: bool) -> None:
    """Plot the trim of visit NUMBER. Its readings around the turns, and the tool."""
    from benchwatch.report.charts.visit_chart import trim_chart  # noqa: PLC0415 - likewise

    ending, found = _ending(out), _visit(number, journal, sim=sim)
    chart = trim_chart(found.measured(), size="wide", **found.limits)
    _write(chart, out, ending, f"visit {printable(number)} has no turn with readings about it")


@plot.command()
@number_and_register_options
def landing(*, number: str, out: str, journal: JournalPlace | None, sim: bool) -> None:
    """Plot visit NUMBER since its last turn. Its readings and records within the tolerance."""
    from benchwatch.report.charts.visit_chart import landing_chart  # noqa: PLC0415 - likewise

    ending, found = _ending(out), _visit(number, journal, sim=sim)
    chart = landing_chart(found.measured(), records=found.records, size="wide", **found.limits)
    _write(chart, out, ending, f"visit {printable(number)} has no reading after a turn")


@plot.command()
@number_and_register_options
@click.option(
    "--record",
    "kind",
    type=click.Choice(RECORD_KINDS),
    help="Of which record; the newest if left out.",
)
def budget(
    *, number: str, kind: RecordKind | None, out: str, journal: JournalPlace | None, sim: bool
) -> None:
    """Plot the budget of a record of visit NUMBER as bars."""
    from benchwatch.report.charts.budget_chart import budget_chart  # noqa: PLC0415 - likewise

    ending, found = _ending(out), _visit(number, journal, sim=sim)
    records = [one for one in found.records if kind in {None, one.kind}]
    what = "record" if kind is None else f"record {kind}"
    chart = budget_chart(records[-1], size="wide") if records else None
    _write(chart, out, ending, f"visit {printable(number)} has no {what} whose u is known")


@plot.command()
@source_options()
@deviation_options
@out_option
def stability(*, source: RecordedSource, asked: AskedDeviations, out: str) -> None:
    """Plot how stable the frequency in FILE is. By averaging time; FILE is as for stability."""
    from benchwatch.report.charts.stability_chart import deviations_chart  # noqa: PLC0415 - likewise

    ending = _ending(out)
    found = recorded_deviations(source, asked)
    what = f"{how_many(len(found.recording), 'reading')} of {found.recording.source}"
    _write(deviations_chart(found.rows, what), out, ending, "every deviation is 0: nothing to draw")


@plot.command()
@click.argument("ident", metavar="UNIT", shell_complete=UNITS)
@click.option("--forecast", is_flag=True, help="Draw also what is expected, with its band.")
@register_and_out_options
def history(
    *, ident: str, forecast: bool, out: str, journal: JournalPlace | None, sim: bool
) -> None:
    """Plot the records of UNIT over its visits."""
    from benchwatch.report.charts.history_chart import history_chart  # noqa: PLC0415 - likewise
    from benchwatch.report.unit_standing import unit_standing  # noqa: PLC0415 - likewise

    ending = _ending(out)
    with read_register(chosen_register(journal, sim=sim)) as register:
        unit = known_unit(register, ident)
        standing = unit_standing(unit, register.visits_of(unit.ident))
    if forecast and standing.ageing is None:
        narrate("no forecast: it takes two visits with records whose u is known")
    nominal_hz = None if unit.nominal_hz is None else float(unit.nominal_hz)
    chart = history_chart(standing, forecast=forecast, nominal_hz=nominal_hz, size="wide")
    _write(chart, out, ending, f"unit {printable(ident)} has no record yet")


def _visit(number: str, journal: JournalPlace | None, *, sim: bool) -> VisitToPlot:
    """Return the visit that was typed; that of a simulated bench also after ``sim/``."""
    path, number = chosen_visit(number, journal, sim=sim)
    with read_register(path) as register:
        found = register.typed_visit(number)
        unit = None if found.unit is None else register.unit(found.unit)
    return VisitToPlot(visit=found, unit=unit, runs=runs_of(path))


def _ending(out: str) -> str:
    """Return how the picture is written; what can't be is refused before anything is read.

    Raises:
        UsageError: the name has another ending, or the folder is not there.
    """
    if out == STANDARD_OUTPUT:
        return ".svg"
    path = Path(out)
    ending = picture_ending(path)
    if not path.parent.is_dir():
        raise UsageError(
            f"there is no folder {shown_path(path.parent)}: make it, or choose another."
        )
    return ending


def _write(chart: "Chart | None", out: str, ending: str, nothing: str) -> None:
    """Write a chart; `nothing` says why there is none.

    Raises:
        NoReadings: there is none.
        FileError: the file can't be written.
    """
    from benchwatch.report.charts.chart_json import chart_json  # noqa: PLC0415 - slow to load
    from benchwatch.report.charts.svg import svg_of  # noqa: PLC0415 - likewise

    if chart is None:
        raise NoReadings(f"{nothing}.")
    svg = svg_of(chart_json(chart))
    if out == STANDARD_OUTPUT:
        print_text(svg.rstrip("\n"))
        return
    path = Path(out)
    replaced = path.exists()
    write_whole(path, picture_bytes(svg, ending), replaces=True)
    narrate(f"{shown_path(path)} is written{' anew' if replaced else ''}")
