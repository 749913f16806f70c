"""The chart of deviations over averaging time, with their limits, on logarithmic axes."""

from collections.abc import Sequence
from typing import Final

from benchwatch.estimate.stability.deviation_kinds import DEVIATIONS
from benchwatch.estimate.stability.deviation_point import Deviation
from benchwatch.measured_visit.measured_visit import StabilitySinceTurn
from benchwatch.quantity import format_duration, how_many
from benchwatch.report.charts.chart import Chart, ChartPart, ChartSize, Curve, Limits, Marker
from benchwatch.report.charts.ticks import log_axis

MARKERS: Final[tuple[Marker, ...]] = ("disc", "ring", "square", "diamond")
TICKS: Final = 7
TIMES_IN_WORDS: Final = (1.0, 10.0, 100.0, 1000.0)
"""Averaging times, s, of which the alternative text states the deviation."""


def stability_chart(stability: StabilitySinceTurn, *, size: ChartSize = "half") -> Chart | None:
    """Return the chart of the deviations since the last turn; None where there are none."""
    span = format_duration(stability.end_utc_s - stability.begin_utc_s)
    what = f"{how_many(stability.readings, 'reading')} over {span} since the last turn"
    return deviations_chart(stability.points, what, size=size)


def deviations_chart(
    points: Sequence[Deviation], what: str, *, size: ChartSize = "wide"
) -> Chart | None:
    """Return the chart of deviations; None where none is above zero.

    Time deviations, which are in seconds, are left out where there are others.

    Args:
        points: deviations of one or several kinds.
        what: the readings that they are of, for the alternative text.
        size: of the chart.
    """
    usable = [one for one in points if one.value > 0 and one.tau_s > 0]
    in_time = bool(usable) and all(DEVIATIONS[one.deviation].time for one in usable)
    usable = [one for one in usable if DEVIATIONS[one.deviation].time is in_time]
    kinds = list(dict.fromkeys(one.deviation for one in usable))
    ends = [end for one in usable for end in (one.value, one.low, one.high) if end]
    x = log_axis("averaging time in s", [one.tau_s for one in usable], most=TICKS)
    y = log_axis(f"deviation{' in s' if in_time else ', fractional'}", ends, most=TICKS)
    if x is None or y is None:
        return None
    parts: list[ChartPart] = []
    for number, kind in enumerate(kinds):
        some = sorted((one for one in usable if one.deviation == kind), key=lambda one: one.tau_s)
        percent = f"{some[0].confidence * 100:.3g} %"
        taus, values = (tuple(one.tau_s for one in some), tuple(one.value for one in some))
        parts += [
            Curve(x=taus, y=values, style="solid" if number % 2 == 0 else "dashed"),
            Limits(
                x=taus,
                y=values,
                low=tuple(one.low or one.value for one in some),
                high=tuple(one.high or one.value for one in some),
                marker=MARKERS[number % len(MARKERS)],
                label=f"{kind} with limits ({percent})",
            ),
        ]
    return Chart(
        name="stability",
        title="Deviation over averaging time",
        alternative=_alternative(usable, kinds, what, in_time=in_time),
        x=x,
        y=y,
        parts=tuple(parts),
        size=size,
    )


def _alternative(
    usable: Sequence[Deviation], kinds: Sequence[str], what: str, *, in_time: bool
) -> str:
    first = [one for one in usable if one.deviation == kinds[0]]
    named = [one for one in first if one.tau_s in TIMES_IN_WORDS] or first[:1]
    unit = " s" if in_time else ""
    values = ", ".join(f"{one.value:.2g}{unit} at {one.tau_s:g} s" for one in named)
    return f"Deviations ({', '.join(kinds)}) of {what}; {kinds[0]} {values}."
