"""The ageing of an oscillator: a law fitted to dated offsets, and when it is due again."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from os import PathLike, fspath
from typing import TYPE_CHECKING, Final

from benchwatch.api.quantities import Fraction, fraction, limit
from benchwatch.clock import iso_time
from benchwatch.errors import UsageError
from benchwatch.estimate.derived_frequencies import DAY_S
from benchwatch.recording.dates import read_moment

if TYPE_CHECKING:
    from benchwatch.estimate.ageing.ageing_forecast import AgeingForecast, DueDate
    from benchwatch.estimate.ageing.ageing_laws import Ageing

Moment = str | datetime | float
"""A date as ISO 8601 text, a `datetime` (without a zone: UTC), or Unix seconds."""
COVERAGE: Final = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeingOfUnit:
    """A fitted law of ageing; times are Unix seconds, offsets fractions."""

    found: "Ageing"
    """Both laws, fitted, over days since `began_utc_s`."""
    began_utc_s: float
    """When ageing began, as stated or assumed."""

    def forecast(self, at: Moment, *, coverage: float = COVERAGE) -> "AgeingForecast":
        """Return the expected offset at a date, and the band of a visit then.

        Args:
            at: the date.
            coverage: probability that the band covers the offset of a visit, 0 to 1.
        """
        from benchwatch.estimate.ageing.ageing_forecast import (  # noqa: PLC0415 - slow to load
            forecast_ageing,
        )

        days = (_unix_seconds(at, "at") - self.began_utc_s) / DAY_S
        return forecast_ageing(self.found, days, coverage)

    def due(
        self, tolerance: Fraction, *, ahead_days: float = 5 * 365.25, coverage: float = COVERAGE
    ) -> "DueDate":
        """Return when the offset leaves the tolerance, in days since `began_utc_s`.

        Args:
            tolerance: limit of the offset.
            ahead_days: how far is looked ahead of the last visit.
            coverage: of the band, 0 to 1.

        Raises:
            UsageError: the tolerance or the horizon is not above zero.
        """
        from benchwatch.estimate.ageing.ageing_forecast import (  # noqa: PLC0415 - slow to load
            due_date,
        )

        allowed = limit(tolerance)
        assert allowed is not None
        return due_date(self.found, allowed, ahead_days, coverage)

    def date(self, days: float | None) -> datetime | None:
        """Return the date that lies `days` after `began_utc_s`; None for None.

        Raises:
            UsageError: it lies beyond the calendar, which has the years 1 to 9999.
        """
        if days is None:
            return None
        try:
            return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(
                seconds=self.began_utc_s + days * DAY_S
            )
        except (OverflowError, ValueError) as error:
            began = iso_time(self.began_utc_s) or "the begin"
            raise UsageError(
                f"{days:g} days after {began[:10]} is no date: the calendar has the years 1 to "
                "9999."
            ) from error


def ageing(
    dates: "Sequence[Moment] | str | PathLike[str]",
    offsets: Sequence[Fraction] | None = None,
    *,
    began: Moment | None = None,
) -> AgeingOfUnit:
    """Fit the logarithmic and the linear law of ageing to dated offsets.

    Args:
        dates: of the visits, n of them, in their order; or the path of a table (CSV) with the
            columns date and offset, and then no `offsets`.
        offsets: fractional, n of them, all at one setting of the trimmer.
        began: when ageing began: first switched on, or 48 h later; None: the day before the first
            visit is taken.

    Raises:
        UsageError: a date or an offset can't be used, or ageing began after the first visit.
        FileError: the table can't be read.
    """
    from benchwatch.estimate.ageing.ageing_laws import fit_ageing  # noqa: PLC0415 - slow to load
    from benchwatch.recording.visit_table import read_visits  # noqa: PLC0415 - only for a table

    if isinstance(dates, str | PathLike):
        if offsets is not None:
            raise UsageError("the table has the offsets: give dates and offsets, or a table.")
        table = read_visits(fspath(dates))
        utc_s, values = list(table.utc_s), list(table.offsets)
    else:
        utc_s = [_unix_seconds(one, "dates") for one in dates]
        values = [fraction(one) for one in offsets or ()]
    if len(utc_s) != len(values) or len(utc_s) < 2:
        raise UsageError("ageing needs two dated offsets at least, an offset for each date.")
    if any(later <= earlier for earlier, later in pairwise(utc_s)):
        raise UsageError("give the visits in the order of their dates.")
    began_s = utc_s[0] - DAY_S if began is None else _unix_seconds(began, "began")
    if began_s >= utc_s[0]:
        raise UsageError("ageing must have begun before the first visit.")
    days = [(at - began_s) / DAY_S for at in utc_s]
    return AgeingOfUnit(
        found=fit_ageing(days, values, origin_known=began is not None), began_utc_s=began_s
    )


def _unix_seconds(at: Moment, name: str) -> float:
    """Return a date as Unix seconds.

    Raises:
        FileError: the text is no date.
    """
    if isinstance(at, str):
        return read_moment(at, name)
    if isinstance(at, datetime):
        return (at if at.tzinfo else at.replace(tzinfo=UTC)).timestamp()
    return float(at)
