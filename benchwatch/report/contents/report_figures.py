"""The charts of a report, by the names that sections place them with."""

from collections.abc import Callable, Iterator, Mapping
from functools import partial
from typing import Final

from benchwatch.reading import AS_FOUND, AS_LEFT, RecordKind
from benchwatch.report.charts.budget_chart import budget_chart
from benchwatch.report.charts.chart import Chart
from benchwatch.report.charts.history_chart import history_chart
from benchwatch.report.charts.stability_chart import stability_chart
from benchwatch.report.charts.visit_chart import visit_chart
from benchwatch.report.charts.warm_up_chart import warm_up_chart
from benchwatch.report.contents.report_blocks import Figure
from benchwatch.report.contents.report_source import ReportSource

FEWEST_VISITS: Final = 2
"""Visits from which on a chart of the history shows more than that of the visit."""


def _visit(source: ReportSource) -> Chart | None:
    return visit_chart(
        source.measured,
        records=[one.record for one in source.results],
        tolerance=source.tolerance,
        nominal_hz=_nominal(source),
    )


def _warm_up(source: ReportSource) -> Chart | None:
    return warm_up_chart(source.measured, tolerance=source.tolerance, nominal_hz=_nominal(source))


def _stability(source: ReportSource) -> Chart | None:
    stability = source.measured.stability
    return None if stability is None else stability_chart(stability)


def _budget(source: ReportSource, kind: RecordKind) -> Chart | None:
    for one in source.results:
        if one.record.kind == kind:
            return budget_chart(one.record)
    return None


def _history(source: ReportSource) -> Chart | None:
    standing = source.standing
    if standing is None or len(standing.visits) < FEWEST_VISITS:
        return None
    return history_chart(standing, forecast=source.shows_forecast, nominal_hz=_nominal(source))


CHARTS: Final[Mapping[str, Callable[[ReportSource], Chart | None]]] = {
    "visit": _visit,
    "warm-up": _warm_up,
    "stability": _stability,
    f"budget {AS_FOUND}": partial(_budget, kind=AS_FOUND),
    f"budget {AS_LEFT}": partial(_budget, kind=AS_LEFT),
    "history": _history,
}
"""How each chart is made; None where there is nothing to draw, and its place is left out."""


def visit_figure(_source: ReportSource) -> Iterator[Figure]:
    """Yield the place of the chart of the visit."""
    yield Figure("visit")


def bench_figures(_source: ReportSource) -> Iterator[Figure]:
    """Yield the places of all other charts, one after the other, so that two stand side by side."""
    yield from (Figure(name) for name in CHARTS if name != "visit")


def _nominal(source: ReportSource) -> float | None:
    return None if source.nominal_hz is None else float(source.nominal_hz)
