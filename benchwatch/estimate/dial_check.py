"""Whether the output of a unit follows its reference at another dial setting.

The offset is read at the main frequency first, and foretold from there: the fraction is the same at
every frequency that is derived from one reference. Then the unit is dialled to another setting and
read there. The difference d = read - foretold is zero where the output follows. One counter counts
both by one time base, so the error of that time base drops out of d, and only noise, the last
digit, and what the oscillator may have moved by in between are left.

U is the expanded uncertainty of d with a coverage of 95 %. The limit of d is a quarter of the
tolerance: common practice (4 to 1), no source.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.results import Estimate, Settle
from benchwatch.estimate.rounding import rounding_variance
from benchwatch.estimate.spikes import spikes
from benchwatch.estimate.uncertainty.limit_side import limit_side
from benchwatch.estimate.uncertainty.uncertainty_budget import (
    DEFAULT_COVERAGE,
    Budget,
    BudgetRow,
    coverage_factor,
    dof_from_reliability,
    whole_dof,
)

CheckVerdict = Literal["follows", "does not follow", "can't tell"]

FOLLOWS: Final = "follows"
DOES_NOT_FOLLOW: Final = "does not follow"
CANT_TELL: Final = "can't tell"

LIMIT_SHARE: Final = 0.25
"""Limit of the difference, as a share of the tolerance."""
FEWEST_READINGS: Final = 6
"""Fewest readings at the setting of which an uncertainty is stated."""
SURE_COVERAGE: Final = 0.997
"""Coverage beyond which a difference without a limit is called one: at 95 %, one check of a sound
unit in twenty would be."""
LIVE_RELIABILITY: Final = 0.05
"""Relative uncertainty of the u of the live estimate, and of what the oscillator moves by. Smaller
than for a record: in white noise this u is rather too large."""
MOTION_US: Final = 5.0
"""Halves of the readings that differ by more standard uncertainties show an output that moves."""
DIALLING_S: Final = 10.0
"""Time in which a person dials the unit, before the readings there: an assumption."""
READINGS_THERE: Final = 20
"""Readings at the setting that a verdict is usually made of: an assumption."""
MAIN_SHARE: Final = 0.7
"""Share of the limit of d to which the main offset is to be known; the rest is for the readings."""
MOST_MORE_READINGS: Final = 9999
"""More readings than this are not asked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Foretold:
    """The offset that the main frequency foretells at the other setting, fractional."""

    offset: float
    estimate_u: float | None
    """Standard uncertainty of the estimate at the main frequency; None: not known."""
    moved_u: float
    """Standard uncertainty, by drift and wander of the oscillator since that estimate."""
    dof: float
    """Degrees of freedom of `estimate_u`."""

    @property
    def u(self) -> float | None:
        """Standard uncertainty of `offset`; None: not known."""
        return None if self.estimate_u is None else math.hypot(self.estimate_u, self.moved_u)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanThere:
    """The mean of the readings at the other setting, fractional."""

    mean: float
    readings: int
    """Readings in the mean, without spikes."""
    noise_u: float | None
    """Standard uncertainty of the mean, by the scatter of its readings; None with too few."""
    digit_u: float
    """Standard uncertainty by the last digit that averaging leaves."""

    @property
    def u(self) -> float | None:
        """Standard uncertainty of `mean` by its own readings; None with too few."""
        return None if self.noise_u is None else math.hypot(self.noise_u, self.digit_u)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckNumbers:
    """Result of a check at one setting; offsets are fractional, each u is standard (k = 1)."""

    foretold: Foretold | None
    """None: there is no offset at the main frequency."""
    there: MeanThere | None
    """None: no reading yet."""
    limit: float | None
    """Largest difference with which the output follows; None without a tolerance."""
    verdict: CheckVerdict = CANT_TELL
    difference: float | None = None
    """Read less foretold."""
    u: float | None = None
    expanded: float | None = None
    """U of the difference, coverage 95 %."""
    dof: float = 0.0
    more_readings: int | None = None
    """About how many more readings would tell; None: the verdict stands, or it can't be said."""
    needs_main: bool = False
    """Whether readings at the setting can't tell: the offset at the main frequency is not known
    well enough."""


def limit_of(tolerance: float | None) -> float | None:
    """Return the limit of the difference for a tolerance, fractional; None without one."""
    return None if tolerance is None else LIMIT_SHARE * tolerance


def foretell(estimate: Estimate | None, change: float, change_u: float) -> Foretold | None:
    """Return the offset that the main frequency foretells; None without an estimate.

    Args:
        estimate: the newest offset at the main frequency.
        change: what drift has changed it by since then, fractional.
        change_u: standard uncertainty of that change, by drift and wander.
    """
    if estimate is None:
        return None
    return Foretold(
        offset=estimate.offset + change,
        estimate_u=estimate.u,
        moved_u=change_u,
        dof=max(min(estimate.readings - 1.0, dof_from_reliability(LIVE_RELIABILITY)), 1.0),
    )


def mean_there(offsets: Sequence[float], quantum: float) -> MeanThere | None:
    """Return the mean of the readings at the setting; None without any.

    While the output was still settling after it had been dialled, only the newer readings count.

    Args:
        offsets: fractional, in the order of time; the first after dialling is left out already.
        quantum: weight of the last digit, fractional; 0 when unknown.
    """
    values = np.asarray(offsets, dtype=np.float64)
    kept = _at_rest(values[np.isfinite(values) & ~spikes(values)])
    count = int(kept.size)
    if count == 0:
        return None
    level = float(kept[0])
    noise_u = None
    if count >= FEWEST_READINGS:
        noise_u = float(np.std(kept - level, ddof=1)) / math.sqrt(count)
    return MeanThere(
        mean=level + float(np.mean(kept - level)),
        readings=count,
        noise_u=noise_u,
        digit_u=math.sqrt(rounding_variance((kept - level).tolist(), quantum)),
    )


def _at_rest(values: FloatArray) -> FloatArray:
    """Return the newest of `values`, (n,), that show no motion: their halves agree."""
    while values.size >= 2 * FEWEST_READINGS:
        half = values.size // 2
        newer = values[-half:]
        apart = abs(float(np.mean(newer) - np.mean(values[:half])))
        if apart <= MOTION_US * float(np.std(newer, ddof=1)) * math.sqrt(2.0 / half):
            break
        values = newer
    return values


def check_numbers(
    foretold: Foretold | None, there: MeanThere | None, tolerance: float | None
) -> CheckNumbers:
    """Compare the offset read at a setting with the one foretold.

    Args:
        foretold: the offset foretold now.
        there: the mean of the readings at the setting.
        tolerance: limit of the unit's offset, fractional; None without one.
    """
    limit = limit_of(tolerance)
    if foretold is None or there is None:
        return CheckNumbers(
            foretold=foretold, there=there, limit=limit, needs_main=foretold is None
        )
    difference = there.mean - foretold.offset
    budget = check_budget(foretold, there)
    dof = 0.0 if budget is None else whole_dof(budget.dof)
    if budget is None or dof < 1:
        missing = max(FEWEST_READINGS - there.readings, 0)
        return CheckNumbers(
            foretold=foretold,
            there=there,
            limit=limit,
            difference=difference,
            more_readings=missing or None,
            needs_main=foretold.estimate_u is None,
        )
    expanded = coverage_factor(dof, DEFAULT_COVERAGE) * budget.u
    verdict = _verdict(difference, budget.u, dof, limit)
    more, needs_main = None, False
    if verdict == CANT_TELL:
        more, needs_main = _what_would_tell(abs(difference), foretold, there, limit, dof)
    return CheckNumbers(
        foretold=foretold,
        there=there,
        limit=limit,
        verdict=verdict,
        difference=difference,
        u=budget.u,
        expanded=expanded,
        dof=dof,
        more_readings=more,
        needs_main=needs_main,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MainWait:
    """What is to be waited for at the main setting before the unit is dialled."""

    warming: bool
    """Whether the unit warms up; else the main offset is not known well enough."""
    expanded: float | None = None
    """U of the offset that would be foretold now, coverage 95 %, fractional; None: not known."""
    more_s: float | None = None
    """About how long, in seconds; None: it can't be said."""


def wait_at_main(
    foretold: Foretold | None,
    tolerance: float | None,
    span_s: float,
    settle: Settle | None = None,
) -> MainWait | None:
    """Return what to wait for before dialling, as no verdict could come now; None: nothing.

    u of the estimate falls as 1/√t, as by white noise; what the oscillator moves by stays.

    Args:
        foretold: the offset foretold for readings right after dialling; None: no estimate yet.
        tolerance: limit of the unit's offset, fractional; None: any U gives a verdict.
        span_s: time over which the main offset was estimated, in seconds.
        settle: whether the unit has settled; None where that was not asked.
    """
    if settle is not None and settle.state == "warming":
        return MainWait(warming=True, more_s=settle.eta_s)
    if foretold is None or foretold.estimate_u is None or not math.isfinite(foretold.moved_u):
        return MainWait(warming=False)
    if tolerance is None:
        return None
    limit = LIMIT_SHARE * tolerance
    factor = coverage_factor(whole_dof(foretold.dof), DEFAULT_COVERAGE)
    expanded = factor * math.hypot(foretold.estimate_u, foretold.moved_u)
    if expanded < limit:
        return None
    left = (MAIN_SHARE * limit / factor) ** 2 - foretold.moved_u**2
    more_s = None if left <= 0 else span_s * (foretold.estimate_u**2 / left - 1.0)
    return MainWait(warming=False, expanded=expanded, more_s=more_s)


def check_budget(foretold: Foretold, there: MeanThere) -> Budget | None:
    """Return the budget of the difference (GUM, JCGM 100:2008); None while a u is unknown."""
    if foretold.estimate_u is None or there.noise_u is None:
        return None
    live = dof_from_reliability(LIVE_RELIABILITY)
    rows: list[dict[str, Any]] = [
        {
            "name": "readings at the setting",
            "source": "their scatter, s/√n",
            "u": there.noise_u,
            "distribution": "type A",
            "dof": there.readings - 1.0,
        },
        {
            "name": "last digit at the setting",
            "source": "what averaging leaves",
            "u": there.digit_u,
            "distribution": "rectangular",
        },
        {
            "name": "offset at the main frequency",
            "source": "the live estimate",
            "u": foretold.estimate_u,
            "distribution": "type A",
            "dof": foretold.dof,
            "sensitivity": -1.0,
        },
        {
            "name": "oscillator since then",
            "source": "its drift and wander",
            "u": foretold.moved_u,
            "distribution": "type A",
            "dof": live,
            "sensitivity": -1.0,
        },
    ]
    return Budget(tuple(BudgetRow(**row) for row in rows))


def _verdict(difference: float, u: float, dof: float, limit: float | None) -> CheckVerdict:
    """Return the verdict on a difference, given its standard uncertainty and limit."""
    expanded = coverage_factor(dof, DEFAULT_COVERAGE) * u
    if limit is not None:
        side = limit_side(difference, expanded, limit)
        return {"inside": FOLLOWS, "outside": DOES_NOT_FOLLOW, "undecided": CANT_TELL}[side]  # type: ignore[return-value] # the three verdicts
    if abs(difference) <= expanded:
        return FOLLOWS
    sure = coverage_factor(dof, SURE_COVERAGE) * u
    return DOES_NOT_FOLLOW if abs(difference) > sure else CANT_TELL


def _what_would_tell(
    size: float, foretold: Foretold, there: MeanThere, limit: float | None, dof: float
) -> tuple[int | None, bool]:
    """Return about how many more readings would tell, and whether only the main frequency can.

    The scatter of the readings falls as 1/√n; all else stays. The verdict can be told once U is
    below the distance of d from the limit.

    Args:
        size: |d|, fractional.
        foretold: the offset foretold.
        there: the mean so far; its noise is known.
        limit: of d; None without one.
        dof: degrees of freedom of the present u.
    """
    wanted = size if limit is None else abs(limit - size)
    factor = coverage_factor(dof, SURE_COVERAGE if limit is None else DEFAULT_COVERAGE)
    rest = factor * math.hypot(foretold.u or 0.0, there.digit_u)
    if not wanted > rest:
        return None, True
    noise = factor * (there.noise_u or 0.0)
    needed = math.ceil(there.readings * noise * noise / (wanted * wanted - rest * rest))
    more = max(needed - there.readings, 1)
    return (more, False) if more <= MOST_MORE_READINGS else (None, True)
