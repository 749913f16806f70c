"""The record of an offset, from the readings of a run or from the live estimate."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchwatch.errors import NoReadings
from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.results import Drift, Estimate
from benchwatch.estimate.uncertainty.mean_uncertainty import FEWEST_READINGS, noise_of_mean
from benchwatch.estimate.uncertainty.offset_record import (
    Noise,
    OffsetRecord,
    Reference,
    offset_budget,
)
from benchwatch.estimate.uncertainty.uncertainty_budget import dof_from_reliability
from benchwatch.reading import RecordKind

FEWEST_SPREAD_READINGS: Final = 2
"""Fewest readings for which a spread is stated."""
LIVE_RELIABILITY: Final = 0.25
"""Relative uncertainty of the live estimate's own u."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Averaged:
    """The mean of a run, with its noise and drift from the readings themselves."""

    mean: float
    """Fractional."""
    readings: int
    middle_s: float
    """Halfway between the first and the last reading, on the clock of the times given."""
    span_s: float
    """From the first to the last reading, an interval included."""
    noise: Noise | None
    """None with a single reading."""
    drift_per_s: float | None
    """Fractional; None with too few readings."""


def averaged(times_s: Sequence[float], offsets: Sequence[float], interval_s: float) -> Averaged:
    """Return the mean of a run, with its noise and drift.

    Args:
        times_s: seconds of each reading or gap, ascending, (n,).
        offsets: fractional, (n,); nan for a gap or a reading that is left out.
        interval_s: from one reading to the next.

    Raises:
        NoReadings: all offsets are nan.
    """
    times, values = np.asarray(times_s, dtype=float), np.asarray(offsets, dtype=float)
    here = np.isfinite(values)
    count = int(np.count_nonzero(here))
    if count == 0:
        raise NoReadings("there is no usable reading to average.")
    at = times[here]
    level = float(values[here][0])
    return Averaged(
        mean=level + float(np.mean(values[here] - level)),
        readings=count,
        middle_s=float(at[0] + at[-1]) / 2.0,
        span_s=float(at[-1] - at[0]) + interval_s,
        noise=noise_of_mean(values, interval_s) or _spread_of_few(values[here], interval_s),
        drift_per_s=_drift(at, values[here]),
    )


def measured_record(
    kind: RecordKind,
    counter: str,
    run: Averaged,
    reference: Reference,
    *,
    nominal_hz: float | None,
    utc_s: float | None,
    resolution: float | None,
    conditions: tuple[tuple[str, str], ...] = (),
) -> OffsetRecord:
    """Return a record of an averaged run, with the data of the reference that the operator states.

    Args:
        kind: as found or as left.
        counter: name of the counter.
        run: the readings, averaged.
        reference: the frequency that the counter counts by.
        nominal_hz: nominal frequency, None when only fractions are known.
        utc_s: Unix seconds of the middle of the run, None when unknown.
        resolution: last digit of one reading, fractional; None when unknown.
        conditions: what was so at the time.
    """
    budget = offset_budget(
        run.mean,
        noise=run.noise,
        resolution=resolution,
        drift_per_s=run.drift_per_s,
        span_s=run.span_s,
        reference=reference,
    )
    return OffsetRecord(
        kind=kind,
        counter=counter,
        nominal_hz=nominal_hz,
        utc_s=utc_s,
        span_s=run.span_s,
        readings=run.readings,
        budget=budget,
        conditions=conditions,
    )


def estimated_record(
    kind: RecordKind,
    counter: str,
    estimate: Estimate,
    drift: Drift | None,
    reference: Reference,
    *,
    nominal_hz: float | None,
    utc_s: float | None,
    resolution: float | None,
    conditions: tuple[tuple[str, str], ...] = (),
) -> OffsetRecord:
    """Return a record of the live estimate.

    The u of the estimate covers noise over its span. This u is taken as known to a quarter, which
    gives 8 degrees of freedom (JCGM 100:2008, G.4.2), or the readings less one if that is fewer.

    Args:
        kind: as found or as left.
        counter: name of the counter.
        estimate: the offset now.
        drift: the drift now, None when unknown.
        reference: the frequency that the counter counts by.
        nominal_hz: nominal frequency, None when only fractions are known.
        utc_s: Unix seconds of the middle of the estimate's span, None when unknown.
        resolution: last digit of one reading, fractional; None when unknown.
        conditions: what was so at the time.
    """
    noise = None
    if estimate.u is not None and estimate.readings > 1:
        dof = min(estimate.readings - 1.0, dof_from_reliability(LIVE_RELIABILITY))
        noise = Noise(
            u=estimate.u,
            dof=dof,
            averaging_s=estimate.span_s,
            deviation="how sure the live offset is",
        )
    budget = offset_budget(
        estimate.offset,
        noise=noise,
        resolution=resolution,
        drift_per_s=None if drift is None else drift.per_s,
        span_s=estimate.span_s,
        reference=reference,
    )
    return OffsetRecord(
        kind=kind,
        counter=counter,
        nominal_hz=nominal_hz,
        utc_s=utc_s,
        span_s=estimate.span_s,
        readings=estimate.readings,
        budget=budget,
        conditions=conditions,
    )


def _spread_of_few(values: FloatArray, interval_s: float) -> Noise | None:
    """Return u of the difference to the mean of n more readings, white noise: s·√(2/n), GUM 4.2."""
    n = values.size
    if n < FEWEST_SPREAD_READINGS:
        return None
    u = float(np.std(values - values[0], ddof=1)) * math.sqrt(2.0 / n)
    return Noise(
        u=u,
        dof=n - 1.0,
        averaging_s=n * interval_s,
        deviation="√2 s/√n of few readings",
        only_white=True,
    )


def _drift(times: FloatArray, values: FloatArray) -> float | None:
    """Return the drift a second, from the means of both halves; its u is 2√2·σy(T/2)/T."""
    if values.size < FEWEST_READINGS:
        return None
    half = values.size // 2
    apart_s = float(np.mean(times[-half:]) - np.mean(times[:half]))
    drift = float(np.mean(values[-half:]) - np.mean(values[:half])) / apart_s if apart_s else None
    return drift if drift is not None and math.isfinite(drift) else None
