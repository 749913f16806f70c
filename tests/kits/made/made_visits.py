"""Made units with known ageing, brought to the bench every so often and trimmed at each visit."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchwatch.estimate.ageing.ageing_forecast import DueDate
from benchwatch.estimate.ageing.visit_history import (
    YEAR_DAYS,
    DatedOffset,
    SharedPart,
    VisitHistory,
    VisitOffsets,
    visit_history,
)
from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.derived_frequencies import DAY_S

START_UTC_S: Final = 1_936_000_000.0
HORIZON_DAYS: Final = 10.0 * YEAR_DAYS
STEP_DAYS: Final = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeUnit:
    """A unit's visits, and what its offset does afterwards with the trimmer left alone."""

    history: VisitHistory
    ahead_days: FloatArray
    """Times after the newest record, (k,)."""
    true: FloatArray
    """True offsets then, fractional, (k,)."""
    yearly: float
    """Ageing in the year after the first visit without the walk, fractional."""
    mean_per_year: float
    """Mean ageing from the first to the last visit without the walk, fraction a year."""

    def crossing_days(self, tolerance: float) -> float | None:
        """Return when the true offset first leaves ±`tolerance`; None: not in the horizon."""
        outside = np.flatnonzero(np.abs(self.true) > tolerance)
        return None if outside.size == 0 else float(self.ahead_days[outside[0]])

    def is_crossing_within(self, due: DueDate, tolerance: float) -> bool:
        """Return whether the true crossing lies within the range of `due`, to a step of days."""
        at = _or_later(self.crossing_days(tolerance))
        earliest, latest = _or_later(due.earliest_days), _or_later(due.latest_days)
        return earliest - STEP_DAYS <= at <= latest + STEP_DAYS


def _or_later(days: float | None) -> float:
    return math.inf if days is None else days


def made_unit(
    random: np.random.Generator, *, law: str, walk: bool, visits: int, trimmed: bool = True
) -> MadeUnit:
    """Make a unit: ageing of 0.5 to 30 ppb in the year after its first visit, either way.

    Visits are 60 to 700 days apart; a record's u is 0.02 to 0.2 ppb, and a quarter to a half of
    its variance is that of one reference. The logarithmic law begins 1 to 1000 days before the
    first visit. The walk has a standard deviation of 0.05 to 0.5 of the yearly ageing in a year.
    """
    yearly = random.choice([-1.0, 1.0]) * 1e-9 * 10 ** random.uniform(np.log10(0.5), np.log10(30))
    at = np.concatenate(([0.0], np.cumsum(random.uniform(60.0, 700.0, visits - 1))))
    ahead = np.arange(STEP_DAYS, HORIZON_DAYS, STEP_DAYS)
    days = np.concatenate((at, at[-1] + ahead))
    curve = yearly * _shape(law, random)(days)
    mean_per_year = float((curve[visits - 1] - curve[0]) / at[-1] * YEAR_DAYS)
    if walk:
        size = abs(yearly) * random.uniform(0.05, 0.5)
        steps = np.sqrt(np.diff(days, prepend=0.0) / YEAR_DAYS)
        curve = curve + size * np.cumsum(steps * random.normal(size=days.size))
    u = 1e-9 * 10 ** random.uniform(np.log10(0.02), np.log10(0.2))
    share = random.uniform(0.25, 0.5)
    reference, own = u * np.sqrt(share), u * np.sqrt(1.0 - share)
    wrong_by = reference * random.normal()
    shared = (SharedPart(cause="house standard", u=float(reference)),)

    def record(day: float, true: float) -> DatedOffset:
        return DatedOffset(
            utc_s=START_UTC_S + day * DAY_S,
            offset=float(true + wrong_by + own * random.normal()),
            u=float(u),
            shared=shared,
        )

    setting, made = random.normal() * yearly, []
    for number, day in enumerate(at, start=1):
        true = curve[number - 1] + setting
        as_found = record(day, true)
        as_left = as_found
        if trimmed:
            setting += random.normal() * 0.2e-9 - true
            as_left = record(day + 0.1, curve[number - 1] + setting)
        made.append(
            VisitOffsets(label=str(number), nominal_hz=5e6, as_found=as_found, as_left=as_left)
        )
    return MadeUnit(
        history=visit_history(made),
        ahead_days=ahead - (0.1 if trimmed else 0.0),
        true=curve[visits:] + setting,
        yearly=float(yearly),
        mean_per_year=mean_per_year,
    )


def _shape(law: str, random: np.random.Generator) -> Callable[[FloatArray], FloatArray]:
    """Return a law as a curve over days that rises by 1 in the first year."""
    if law == "linear":
        return lambda days: days / YEAR_DAYS
    begun = 10 ** random.uniform(0.0, 3.0)
    scale = np.log((YEAR_DAYS + begun) / begun)
    return lambda days: np.log((days + begun) / begun) / scale
