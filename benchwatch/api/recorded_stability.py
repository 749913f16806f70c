"""Deviations of a recording, or of an array of offsets."""

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Literal

import numpy as np

from benchwatch.api.quantities import (
    Duration,
    Settled,
    not_settled_words,
    one_of,
    seconds,
    seconds_or_none,
    settle_limit,
)
from benchwatch.errors import NoReadings, UsageError
from benchwatch.estimate.array_types import FloatArray
from benchwatch.quantity import printable
from benchwatch.recording import Recording
from benchwatch.recording.run_statistics import (
    SINCE_CHOICES,
    Since,
    changes_of,
    part_since,
    phase_of,
    spikes_of,
    used_offsets,
)

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from benchwatch.estimate.stability import Deviation

Taus = Literal["octave", "decade"] | Iterable[Duration]
"""Averaging times: 1, 2, 4 ... or 1, 10, 100 ... readings, or times: a list, or ``1s,10s``."""


def deviations(
    readings: "Recording | ArrayLike",
    names: str | Sequence[str] = "oadev",
    *,
    taus: Taus = "octave",
    interval: Duration | None = None,
    gate: Duration | None = None,
    confidence: float | None = None,
    since: Since | None = None,
    settle: Settled | None = None,
) -> "tuple[Deviation, ...]":
    """Return deviations of the Allan family with their limits, as ``benchwatch stability`` does.

    Lone wild readings are left out. Formulas: NIST SP 1065 (Riley 2008).

    Args:
        readings: a recording; or fractional offsets at equal times, (n,), nan where one is missing.
        names: which, such as ``oadev`` or ``["adev", "mdev"]``; ``all``: every one.
        taus: averaging times.
        interval: from reading to reading; needed for an array, and of a recording its own.
        gate: where it is shorter than the interval: corrects for the dead time.
        confidence: coverage of the limits, 0 to 1; None: one standard deviation, 0.6827.
        since: begin at the last nudge, or at settling; None: the whole recording. Where there is
            none in the recording, the whole is used.
        settle: what settled means, and then the recording must have settled; None: where a warm-up
            ends that stands out.

    Returns:
        A row for each name and averaging time that the run is long enough for.

    Raises:
        UsageError: a name or an averaging time can't be used, the interval is missing, or the
            oscillator has not settled within `settle`.
        NoReadings: no usable reading is in that part.
    """
    from benchwatch.estimate.stability import (  # noqa: PLC0415 - as in the whole package: on use
        NAMES,
        ONE_SIGMA,
        gate_with_dead_time,
        stability_table,
    )

    wanted = _names(names, NAMES)
    if not isinstance(readings, Recording):
        readings = _as_recording(readings, interval)
    interval_s = readings.interval_s
    if interval_s is None:
        raise UsageError("one reading says nothing on stability: give more.")
    if confidence is not None and not 0.0 < confidence < 1.0:
        raise UsageError(f"confidence lies between 0 and 1, such as 0.95, and not at {confidence}.")
    gate_s = gate_with_dead_time(seconds_or_none(gate), interval_s)
    wild = spikes_of(readings)
    offsets = used_offsets(readings, wild)
    rows = _part(readings, offsets, since, settle)
    if not np.isfinite(offsets[rows]).any():
        raise NoReadings(f"{readings.source} has no usable reading in that part.")
    phase = phase_of(readings, offsets, rows, wild)
    return stability_table(
        phase,
        interval_s,
        wanted,
        _factors(taus, gate_s or interval_s, phase.points),
        gate_s=gate_s,
        confidence=ONE_SIGMA if confidence is None else confidence,
    )


def _names(names: str | Sequence[str], known: Sequence[str]) -> tuple[str, ...]:
    """Return the names of deviations in their usual order.

    Raises:
        UsageError: one is that of none.
    """
    wanted = names.split(",") if isinstance(names, str) else list(names)
    wanted = [name.strip().lower() for name in wanted]
    if wanted == ["all"]:
        return tuple(known)
    unknown = [name for name in wanted if name not in known]
    if unknown or not wanted:
        shown = printable(unknown[0], 40) if unknown else ""
        raise UsageError(f"'{shown}' is no deviation. There are: {', '.join(known)}.")
    return tuple(name for name in known if name in wanted)


def _as_recording(offsets: "ArrayLike", interval: Duration | None) -> Recording:
    """Return offsets at equal times as a recording, with a gap for each stretch of nan.

    Raises:
        UsageError: the interval is missing, or the array is no row of numbers.
    """
    if interval is None:
        raise UsageError("an array has no times: say how far apart its readings are: interval=...")
    interval_s = seconds(interval)
    try:
        values: FloatArray = np.asarray(offsets, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise UsageError("offsets are one row of numbers, (n,), with nan for none.") from error
    if values.ndim != 1 or np.isinf(values).any():
        raise UsageError("offsets are one row of numbers, (n,), with nan for a missing one.")
    nothing = np.full(values.shape, np.nan)
    return Recording(
        source="the array",
        kind="offset",
        time_s=np.arange(values.size, dtype=np.float64) * interval_s,
        offset=values,
        offset_hz=nothing,
        text=(),
        nominal=None,
        interval_s=interval_s if values.size > 1 else None,
    )


def _part(
    recording: Recording, offsets: FloatArray, since: Since | None, settle: Settled | None
) -> slice:
    """Return the rows of the part that begins at the last nudge or at settling.

    Raises:
        UsageError: the oscillator has not settled within `settle`.
    """
    whole = slice(0, len(recording))
    if since is None:
        return whole
    one_of(SINCE_CHOICES, since, "since")
    limit = settle_limit(settle, recording.nominal)
    changes = changes_of(recording, offsets, whole, limit)
    rows, found = part_since(recording, whole, changes, since)
    if not found and since == "settled" and limit is not None:
        raise UsageError(not_settled_words(recording.source))
    return rows


def _factors(taus: Taus, tau0_s: float, points: int) -> list[int]:
    """Return the averaging factors; arguments as for `deviations`.

    Raises:
        UsageError: a time is not near a multiple of `tau0_s`, that one reading stands for.
    """
    from benchwatch.estimate.stability import (  # noqa: PLC0415 - as in `deviations`
        SPACINGS,
        nearest_factor,
        spaced_factors,
    )

    if isinstance(taus, str) and taus in SPACINGS:
        return spaced_factors(taus, points)
    times = taus.split(",") if isinstance(taus, str) else taus
    return sorted({nearest_factor(seconds(tau), tau0_s) for tau in times})
