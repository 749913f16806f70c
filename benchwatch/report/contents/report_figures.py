"""The charts of a report, by the names that sections place them with."""

from collections.abc import Callable, Mapping
from typing import Final

from benchwatch.reading import RECORD_KINDS, RecordKind
from benchwatch.report.charts.budget_chart import budget_chart
from benchwatch.report.charts.chart import Chart
from benchwatch.report.charts.history_chart import history_chart
from benchwatch.report.charts.stability_chart import stability_chart
from benchwatch.report.charts.visit_chart import has_landing, landing_chart, visit_chart
from benchwatch.report.charts.warm_up_chart import warm_up_chart
from benchwatch.report.contents.report_source import ReportSource

FEWEST_VISITS: Final = 2
"""Visits from which on a chart of the history shows more than that of the visit."""


def _visit(source: ReportSource) -> Chart | None:
    """Return the whole visit, narrow where the landing stands beside it."""
    return visit_chart(
        source.measured,
        records=[one.record for one in source.results],
        tolerance=source.tolerance,
        nominal_hz=_nominal(source),
        size="half" if has_landing(source.measured) else "wide",
    )


def _landing(source: ReportSource) -> Chart | None:
    return landing_chart(
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


def _budget_of(kind: RecordKind) -> Callable[[ReportSource], Chart | None]:
    """Return the maker of the chart of the budget of the result of this kind."""

    def chart(source: ReportSource) -> Chart | None:
        found = (one.record for one in source.results if one.record.kind == kind)
        return next(map(budget_chart, found), None)

    return chart


def _history(source: ReportSource) -> Chart | None:
    standing = source.standing
    if standing is None or len(standing.visits) < FEWEST_VISITS:
        return None
    return history_chart(standing, forecast=source.shows_forecast, nominal_hz=_nominal(source))


CHARTS: Final[Mapping[str, Callable[[ReportSource], Chart | None]]] = {
    "visit": _visit,
    "landing": _landing,
    "warm-up": _warm_up,
    "stability": _stability,
    **{f"budget {kind}": _budget_of(kind) for kind in RECORD_KINDS},
    "history": _history,
}
"""How each chart is made; None where there is nothing to draw, and its place is left out."""


def _nominal(source: ReportSource) -> float | None:
    return None if source.nominal_hz is None else float(source.nominal_hz)
