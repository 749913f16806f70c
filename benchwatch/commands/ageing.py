"""``benchwatch ageing``: forecasts an oscillator's offset from those of earlier visits."""

import math
from dataclasses import dataclass
from datetime import UTC, datetime

import click

from benchwatch.commands.common.completed_words import FILES
from benchwatch.commands.common.option_types import DURATION, FRACTION, read_coverage
from benchwatch.commands.common.output import narrate, print_json, print_text
from benchwatch.commands.common.shared_options import coverage_option
from benchwatch.errors import UsageError
from benchwatch.estimate.ageing.ageing_forecast import (
    AgeingForecast,
    DueDate,
    due_date,
    forecast_ageing,
)
from benchwatch.estimate.ageing.ageing_laws import (
    FEWEST_VISITS_TO_CHOOSE,
    Ageing,
    AgeingFit,
    fit_ageing,
)
from benchwatch.estimate.derived_frequencies import DAY_S
from benchwatch.quantity import (
    OffsetUnit,
    format_duration,
    offset_unit,
    printable,
    write_fraction,
)
from benchwatch.recording.dates import read_moment
from benchwatch.recording.visit_table import read_visits
from benchwatch.report.blocks import align_table

FORECAST_STEPS = 5
"""Steps of the forecast from the last visit to the horizon."""


@click.command()
@click.argument("file", shell_complete=FILES)
@click.option("--tolerance", type=FRACTION, help="Limit of the offset, such as 5ppb.")
@click.option("--ahead", "ahead_s", type=DURATION, default="5y", show_default=True, help="Horizon.")
@click.option(
    "--since",
    metavar="DATE",
    help="When ageing began: first switched on, or 48 h later. The day before the first visit "
    "if left out.",
)
@coverage_option("the band")
@click.option("--json", "as_json", is_flag=True, help="Lines for programs.")
def ageing(
    *,
    file: str,
    tolerance: float | None,
    ahead_s: float,
    since: str | None,
    coverage: str,
    as_json: bool,
) -> None:
    """Fit the ageing of an oscillator to the dated offsets in FILE and look ahead.

    FILE is a table (CSV) with the columns date and offset, one row a visit:
    2031-05-04,2.3ppb. Its offsets must come from one setting of the trimmer.
    """
    visits, share = read_visits(file), read_coverage(coverage)
    origin_s = visits.utc_s[0] - DAY_S
    if since is None:
        narrate(f"ageing is counted from {_iso_date(origin_s)}, the day before the first visit.")
    else:
        origin_s = read_moment(since, "--since")
    if origin_s >= visits.utc_s[0]:
        raise UsageError(f"--since {printable(since or '')} must lie before the first visit.")
    days = [(at - origin_s) / DAY_S for at in visits.utc_s]
    found = fit_ageing(days, visits.offsets, origin_known=since is not None)
    ahead = ahead_s / DAY_S
    step = ahead / FORECAST_STEPS
    rows = [
        forecast_ageing(found, found.last_days + k * step, share) for k in range(FORECAST_STEPS + 1)
    ]
    due = None if tolerance is None else due_date(found, tolerance, ahead, share)
    report = _AgeingReport(
        found=found,
        forecasts=rows,
        due=due,
        origin_s=origin_s,
        coverage=share,
        tolerance=tolerance,
    )
    if found.origin_matters:
        narrate(_origin_sentence(found, report.unit))
    if as_json:
        report.print_json_lines()
    else:
        report.print_tables()


@dataclass(frozen=True, slots=True, kw_only=True)
class _AgeingReport:
    """The results to print, as tables or as JSON lines."""

    found: Ageing
    forecasts: list[AgeingForecast]
    due: DueDate | None
    origin_s: float
    """Unix seconds at which ageing began."""
    coverage: float
    tolerance: float | None

    def date(self, days: float | None) -> str | None:
        """Return the date (UTC) that lies `days` after `origin_s`; None for None."""
        return None if days is None else _iso_date(self.origin_s + days * DAY_S)

    def print_json_lines(self) -> None:
        """Print one line for each law, one for each forecast, and one for the due date."""
        for fit in (self.found.best, self.found.other, *self.found.began_earlier):
            if fit is not None:
                print_json(self._law(fit))
        for row in self.forecasts:
            print_json(
                {"kind": "forecast", "date": self.date(row.days), "offset": row.offset,
                 "low": row.low, "high": row.high, "coverage": self.coverage}
            )  # fmt: skip
        if self.due is not None:
            print_json(
                {"kind": "due", "tolerance": self.tolerance,
                 "date": self.date(self.due.expected_days),
                 "earliest": self.date(self.due.earliest_days),
                 "latest": self.date(self.due.latest_days),
                 "horizon_s": self.due.horizon_days * DAY_S}
            )  # fmt: skip

    def _law(self, fit: AgeingFit) -> dict[str, object]:
        return {
            "kind": "ageing", "law": fit.law, "chosen": fit is self.found.best,
            "per_decade": fit.per_decade,
            "per_day": fit.slope if fit.law == "linear" else None,
            "u": _u_shown(fit), "constant": fit.constant, "scatter": fit.scatter,
            "visits": fit.visits, "aicc_margin": self.found.aicc_margin,
            "told_apart": self.found.told_apart, "began_earlier_s": fit.earlier_days * DAY_S,
        }  # fmt: skip

    def print_tables(self) -> None:
        """Print the law, the forecast and the due date."""
        best, unit = self.found.best, self.unit
        print_text(f"{best.law} ageing from {best.visits} visits: {_rate(best, unit)}")
        print_text(self._evidence(unit))
        others = self.found.possible_fits[1:]
        rows = [
            [
                self.date(row.days) or "",
                write_fraction(row.offset, None, unit).bare,
                *(write_fraction(fit.at(row.days), None, unit).bare for fit in others),
                _band(row.low, unit),
                _band(row.high, unit),
            ]
            for row in self.forecasts
        ]
        first = "offset" if not others else best.law
        names = (first, *map(_column_name, others), f"{self.coverage * 100:g} % from", "to")
        print_text("\n" + align_table(("date", *names), rows))
        if self.due is not None and self.tolerance is not None:
            print_text("\n" + self._due_sentence(self.due, self.tolerance, unit))

    @property
    def unit(self) -> OffsetUnit:
        """The unit of all printed offsets."""
        sizes = [abs(row.offset) for row in self.forecasts]
        return offset_unit(max(*sizes, self.tolerance or 0.0))

    def _evidence(self, unit: OffsetUnit) -> str:
        """Write how the chosen law compares with the other one."""
        margin, other = self.found.aicc_margin, self.found.other
        if margin is None or other is None:
            return "Two times fit any law; the scatter and the band are unknown."
        how = "clearly better" if self.found.told_apart else "they can't be told apart yet"
        if not self.found.told_apart and self.found.best.visits < FEWEST_VISITS_TO_CHOOSE:
            how += f", that takes {FEWEST_VISITS_TO_CHOOSE} visits at least"
        if not self.found.told_apart:
            how += "; the band weighs both by how likely they make the visits"
        size = "without scatter" if math.isinf(margin) else f"AICc lower by {margin:.1f}"
        return f"Against {other.law}: {size}, {how}. {other.law}: {_rate(other, unit)}"

    def _due_sentence(self, due: DueDate, tolerance: float, unit: OffsetUnit) -> str:
        """Write when the offset leaves the tolerance, with the range."""
        limit = f"{tolerance / unit.size:g} {unit.name}"
        horizon = format_duration(due.horizon_days * DAY_S)
        if due.expected_days is None:
            sentence = f"Stays within ±{limit} for {horizon}, as far as was looked"
        elif due.expected_days == self.found.last_days:
            sentence = f"Is outside ±{limit} already"
        else:
            sentence = f"Leaves ±{limit} on {self.date(due.expected_days)}"
        if self.found.best.scatter is None:
            return f"{sentence}; no range can be given from two visits."
        if due.earliest_days is None:
            return f"{sentence}, the whole band too."
        earliest = self.date(due.earliest_days)
        latest = self.date(due.latest_days) or "not in that time"
        return f"{sentence}; earliest {earliest}, latest {latest}."


def _column_name(fit: AgeingFit) -> str:
    return f"from {fit.earlier_days:g} d earlier" if fit.earlier_days else fit.law


def _origin_sentence(found: Ageing, unit: OffsetUnit) -> str:
    """Write how the unknown start of ageing changes the fit, and which option states it."""
    other = ", ".join(
        f"{_rate(fit, unit)} if it began {fit.earlier_days:g} d earlier"
        for fit in found.began_earlier
    )
    return (
        f"the logarithmic law depends on when ageing began ({other}); the band weighs that too. "
        "Type --since DATE, the day it was first switched on, or 48 h later."
    )


def _u_shown(fit: AgeingFit) -> float | None:
    """Return u of the rate: per decade of time for the logarithmic law, per day for the linear."""
    if fit.u_slope is None or fit.per_decade is None:
        return fit.u_slope
    return fit.u_slope * math.log(10.0)


def _rate(fit: AgeingFit, unit: OffsetUnit) -> str:
    """Write the rate of a law: per decade of time (logarithmic) or a year (linear)."""
    u = _u_shown(fit)
    if fit.per_decade is not None:
        return f"{write_fraction(fit.per_decade, u, unit)} per decade of time"
    yearly = 365.25
    return f"{write_fraction(fit.slope * yearly, None if u is None else u * yearly, unit)} a year"


def _band(edge: float | None, unit: OffsetUnit) -> str:
    """Write an edge (fractional) of the band."""
    return "unknown" if edge is None else write_fraction(edge, None, unit).bare


def _iso_date(utc_s: float) -> str:
    """Write the date in UTC."""
    return datetime.fromtimestamp(utc_s, UTC).date().isoformat()
