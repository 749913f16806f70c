"""The chart of an uncertainty budget: contributions and combined u as bars, largest first."""

import math
from typing import Final

from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.quantity import OffsetUnit, write_fraction
from benchwatch.report.charts.chart import Bar, Chart, ChartAxis, ChartSize
from benchwatch.report.charts.ticks import linear_ticks
from benchwatch.report.record_document import record_unit

MOST_BARS: Final = 8
"""Contributions with a bar of their own; the smallest of more share one."""
TICKS: Final[dict[ChartSize, int]] = {"wide": 8, "half": 5}


def budget_chart(record: OffsetRecord, *, size: ChartSize = "half") -> Chart | None:
    """Return the bars of a record's budget (k = 1); None where no uncertainty is known.

    They are in the unit of the table that `budget_table` makes of it.
    """
    budget = record.budget
    rows = sorted(budget.lines, key=lambda row: -row.contribution)
    u = budget.u
    if not 0 < u < math.inf:
        return None
    unit = record_unit(record)
    bars = [Bar(label="combined u", length=u / unit.size, text=_amount(u, unit), total=True)]
    shown = rows if len(rows) <= MOST_BARS else rows[: MOST_BARS - 1]
    bars += [
        Bar(
            label=row.name,
            length=row.contribution / unit.size,
            text=_amount(row.contribution, unit),
        )
        for row in shown
    ]
    if rest := rows[len(shown) :]:
        together = math.hypot(*(row.contribution for row in rest))
        bars.append(
            Bar(
                label=f"{len(rest)} smaller ones",
                length=together / unit.size,
                text=_amount(together, unit),
            )
        )
    high = u / unit.size
    least = "; what is missing makes it larger" if budget.missing else ""
    largest = ", ".join(f"{row.name} {_amount(row.contribution, unit)}" for row in rows[:2])
    return Chart(
        name=f"budget {record.kind}",
        title=f"What u is made of, {record.kind}",
        alternative=(
            f"Uncertainty of the offset {record.kind}, k = 1: combined u {_amount(u, unit)} "
            f"{unit.name}{least}; its largest contributions are {largest} {unit.name}."
        ),
        x=ChartAxis(
            label=f"contribution to u in {unit.name}, k = 1",
            low=0.0,
            high=high,
            ticks=linear_ticks(0.0, high, TICKS[size]),
        ),
        y=ChartAxis(label="", low=0.0, high=float(len(bars)), ticks=()),
        parts=tuple(bars),
        size=size,
    )


def _amount(value: float, unit: OffsetUnit) -> str:
    """Write an uncertainty (fractional) with two significant digits, without its unit."""
    return write_fraction(0.0, value, unit).u
