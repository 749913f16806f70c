"""``benchwatch ageing``: what dated offsets say about an oscillator's future."""

import csv
import math
from dataclasses import dataclass

import click

from benchwatch.commands.options import DURATION, FRACTION
from benchwatch.commands.tables import (
    iso_date,
    note,
    put,
    put_json,
    read_coverage,
    read_moment,
    table,
)
from benchwatch.errors import FileError, QuantityError, UsageError
from benchwatch.estimate.ageing import Ageing, Due, Fit, Forecast, due, fit_ageing, forecast
from benchwatch.estimate.elsewhere import DAY_S
from benchwatch.quantity import (
    OffsetUnit,
    format_duration,
    offset_unit,
    parse_fraction,
    printable,
    write_fraction,
)
from benchwatch.recording.text import read_lines, shown_name

COLUMNS = ("date", "offset")
LONGEST_AHEAD_S = 100 * 365.25 * DAY_S
STEPS = 5
"""Rows of the forecast."""


@dataclass(frozen=True, slots=True)
class Visits:
    """Dated offsets as a file has them, in the order of time."""

    utc_s: tuple[float, ...]
    offsets: tuple[float, ...]


def read_visits(path: str) -> Visits:
    """Read a table with the columns ``date`` (ISO 8601) and ``offset`` (a fraction, or ``2 ppb``).

    Raises:
        FileError: it is no such table; the message names the line and what was expected.
    """
    source = shown_name(path)
    columns: tuple[int, int] | None = None
    found: list[tuple[float, float]] = []
    for line in read_lines(path):
        if not line.text.strip() or line.text.lstrip().startswith("#"):
            continue
        where = f"{source}, line {line.number}"
        cells = [cell.strip() for cell in next(csv.reader([line.text]), [])]
        if columns is None:
            columns = _columns(cells, where)
            continue
        if len(cells) <= max(columns):
            raise FileError(f"{where}: {len(cells)} cells; a date and an offset are expected.")
        moment = read_moment(cells[columns[0]], where)
        found.append((moment, _offset(cells[columns[1]], where)))
    if columns is None or not found:
        raise FileError(
            f"{source} holds no dated offsets. Write a header 'date,offset' and a row a visit, "
            "such as 2031-05-04,2.3ppb."
        )
    found.sort()
    return Visits(tuple(at for at, _ in found), tuple(offset for _, offset in found))


def _columns(cells: list[str], where: str) -> tuple[int, int]:
    names = [cell.lower() for cell in cells]
    if not all(name in names for name in COLUMNS):
        raise FileError(
            f"{where}: the header is '{printable(','.join(cells))}'; expected are the columns "
            "date and offset."
        )
    return names.index("date"), names.index("offset")


def _offset(cell: str, where: str) -> float:
    try:
        return parse_fraction(cell)
    except QuantityError as error:
        raise FileError(f"{where}, column offset: {error}") from error


@click.command()
@click.argument("file")
@click.option("--tolerance", type=FRACTION, help="Limit of the offset, such as 5ppb.")
@click.option("--ahead", "ahead_s", type=DURATION, default="5y", show_default=True, help="Horizon.")
@click.option(
    "--since",
    metavar="DATE",
    help="When ageing began: first switched on, or 48 h later. The day before the first visit "
    "if left out.",
)
@click.option("--coverage", default="95%", show_default=True, help="Coverage of the band.")
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
    if ahead_s > LONGEST_AHEAD_S:
        raise UsageError("--ahead looks 100 years ahead at most; no law of ageing holds longer.")
    visits, share = read_visits(file), read_coverage(coverage)
    origin_s = visits.utc_s[0] - DAY_S
    if since is None:
        note(f"ageing is counted from {iso_date(origin_s)}, the day before the first visit.")
    else:
        origin_s = read_moment(since, "--since")
    if origin_s >= visits.utc_s[0]:
        raise UsageError(f"--since {printable(since or '')} must lie before the first visit.")
    days = [(at - origin_s) / DAY_S for at in visits.utc_s]
    found = fit_ageing(days, visits.offsets)
    ahead = ahead_s / DAY_S
    step = ahead / STEPS
    outlook = [forecast(found.best, found.last_days + k * step, share) for k in range(STEPS + 1)]
    leaves = (
        None if tolerance is None else due(found.best, tolerance, found.last_days, ahead, share)
    )
    shown = _Shown(found, outlook, leaves, origin_s, share, tolerance)
    if as_json:
        shown.json()
    else:
        shown.people()


@dataclass(frozen=True, slots=True)
class _Shown:
    """Everything that is printed, in either form."""

    found: Ageing
    outlook: list[Forecast]
    leaves: Due | None
    origin_s: float
    coverage: float
    tolerance: float | None

    def date(self, days: float | None) -> str | None:
        """Turn days of the fit into a date."""
        return None if days is None else iso_date(self.origin_s + days * DAY_S)

    def json(self) -> None:
        """Print a line a law, a line a forecast, a line on the due date."""
        for fit in (self.found.best, self.found.other):
            if fit is not None:
                put_json(self._law(fit))
        for row in self.outlook:
            put_json(
                {"kind": "forecast", "date": self.date(row.days), "offset": row.offset,
                 "low": row.low, "high": row.high, "coverage": self.coverage}
            )  # fmt: skip
        if self.leaves is not None:
            put_json(
                {"kind": "due", "tolerance": self.tolerance,
                 "date": self.date(self.leaves.expected_days),
                 "earliest": self.date(self.leaves.earliest_days),
                 "latest": self.date(self.leaves.latest_days),
                 "horizon_s": self.leaves.horizon_days * DAY_S}
            )  # fmt: skip

    def _law(self, fit: Fit) -> dict[str, object]:
        return {
            "kind": "ageing", "law": fit.law, "chosen": fit is self.found.best,
            "per_decade": fit.per_decade,
            "per_day": fit.slope if fit.law == "linear" else None,
            "u": _u_shown(fit), "constant": fit.constant, "scatter": fit.scatter,
            "visits": fit.visits, "aicc_margin": self.found.aicc_margin,
        }  # fmt: skip

    def people(self) -> None:
        """Print the law, the forecast and the due date."""
        best = self.found.best
        put(f"{best.law} ageing from {best.visits} visits: {_rate(best)}")
        put(self._evidence())
        unit = offset_unit(max(abs(row.offset) for row in self.outlook))
        rows = [
            [
                self.date(row.days) or "",
                write_fraction(row.offset, None, unit).bare,
                _band(row.low, unit),
                _band(row.high, unit),
            ]
            for row in self.outlook
        ]
        share = f"{self.coverage * 100:g} %"
        put("\n" + table(("date", "offset", f"{share} from", "to"), rows))
        if self.leaves is not None and self.tolerance is not None:
            put("\n" + self._due(self.leaves, self.tolerance))

    def _evidence(self) -> str:
        margin, other = self.found.aicc_margin, self.found.other
        if margin is None or other is None:
            return "Two times fit any law; the scatter and the band are unknown."
        how = "clearly better" if self.found.told_apart else "hardly to be told apart"
        size = "without scatter" if math.isinf(margin) else f"AICc lower by {margin:.1f}"
        return f"Against {other.law}: {size}, {how}. {other.law}: {_rate(other)}"

    def _due(self, leaves: Due, tolerance: float) -> str:
        unit = offset_unit(tolerance)
        limit = f"{tolerance / unit.size:g} {unit.name}"
        horizon = format_duration(leaves.horizon_days * DAY_S)
        if leaves.expected_days is None:
            sentence = f"Stays within ±{limit} for {horizon}, as far as was looked"
        elif leaves.expected_days == self.found.last_days:
            sentence = f"Is outside ±{limit} already"
        else:
            sentence = f"Leaves ±{limit} on {self.date(leaves.expected_days)}"
        if self.found.best.scatter is None:
            return f"{sentence}; no range can be given from two visits."
        if leaves.earliest_days is None:
            return f"{sentence}, the whole band too."
        earliest = self.date(leaves.earliest_days)
        latest = self.date(leaves.latest_days) or "not in that time"
        return f"{sentence}; earliest {earliest}, latest {latest}."


def _u_shown(fit: Fit) -> float | None:
    """Uncertainty of what is stated: a decade for the logarithmic law, a day for the linear."""
    if fit.u_slope is None or fit.per_decade is None:
        return fit.u_slope
    return fit.u_slope * math.log(10.0)


def _rate(fit: Fit) -> str:
    u = _u_shown(fit)
    if fit.per_decade is not None:
        return f"{write_fraction(fit.per_decade, u)} per decade of time"
    yearly = 365.25
    return f"{write_fraction(fit.slope * yearly, None if u is None else u * yearly)} a year"


def _band(edge: float | None, unit: OffsetUnit) -> str:
    return "unknown" if edge is None else write_fraction(edge, None, unit).bare
