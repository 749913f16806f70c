"""Properties of a recorded run that its statistics are computed from: spikes, turns, phase."""

from typing import Final, Literal

import numpy as np

from benchwatch.estimate.array_types import BoolArray, FloatArray
from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.run_changes import Changes, find_changes
from benchwatch.estimate.spikes import spikes
from benchwatch.estimate.stability import Phase
from benchwatch.estimate.stability.time_grid import measured_phase_on_grid, phase_on_grid
from benchwatch.reading import SPIKE, UNFIT
from benchwatch.recording.recorded_run import Recording

Since = Literal["settled", "nudge"]
"""Where a part of a run begins: where it has settled, or at its last nudge."""
SINCE_CHOICES: Final[tuple[Since, ...]] = ("settled", "nudge")


def spikes_of(recording: Recording) -> BoolArray:
    """Return which of the n readings are spikes, (n,): by their flag or by the rule of `spikes`."""
    wild = spikes(_fit_offsets(recording))
    wild[[row for row, flags in recording.flags.items() if SPIKE in flags]] = True
    return wild


def used_offsets(recording: Recording, wild: BoolArray) -> FloatArray:
    """Return the fractional offsets, (n,), with nan for unfit readings and spikes.

    Args:
        recording: recording of one counter.
        wild: which readings are spikes, (n,).
    """
    values = _fit_offsets(recording)
    values[wild] = np.nan
    return values


def changes_of(
    recording: Recording, offsets: FloatArray, rows: slice, settle: SettleLimit | None
) -> Changes:
    """Find the turns and the settling among the readings `rows`.

    Args:
        recording: recording of one counter.
        offsets: offsets of all n readings, (n,), from `used_offsets`.
        rows: the readings to search.
        settle: limit of the drift once settled; None: the end of a warm-up that stands out counts.
    """
    time_s, values = recording.time_s[rows], offsets[rows]
    before = [gap.before - rows.start for gap in recording.gaps]
    at = [row for row in before if 0 < row < values.size]
    gates = recording.gates(rows)
    return find_changes(
        np.insert(time_s, at, [float(time_s[row]) for row in at]),
        np.insert(values, at, np.nan),
        gate_s=gates.pop() if len(gates) == 1 else None,
        settle=settle,
        resolution=recording.resolution_hz / float(recording.nominal) if recording.nominal else 0.0,
    )


def part_since(
    recording: Recording, rows: slice, changes: Changes, since: Since | None
) -> tuple[slice, bool]:
    """Return the part of `rows` that begins at the last nudge or the settling.

    Args:
        recording: recording of one counter.
        rows: the readings to choose from.
        changes: the turns and the settling among them.
        since: which of the two; None: all of `rows`.

    Returns:
        The part, and whether there is such a begin; without one the part is `rows`.
    """
    begin_s = None
    if since == "settled":
        begin_s = changes.settled_s
    elif since == "nudge" and changes.turns_s:
        begin_s = changes.turns_s[-1]
    if begin_s is None:
        return rows, False
    return slice(int(np.searchsorted(recording.time_s, begin_s)), rows.stop), True


def phase_of(recording: Recording, offsets: FloatArray, rows: slice, wild: BoolArray) -> Phase:
    """Return the phase of the readings `rows` on a grid of equal times.

    Args:
        recording: recording of one counter.
        offsets: offsets of all n readings, (n,), from `used_offsets`.
        rows: the readings to use.
        wild: which of all readings are spikes, (n,).
    """
    interval_s = recording.interval_s or 0.0
    time_s, values = recording.time_s[rows], offsets[rows]
    before = np.array(sorted({gap.before - rows.start for gap in recording.gaps}), dtype=int)
    breaks = before[(before > 0) & (before < values.size)]
    if recording.kind != "phase_s" or not (breaks.size or wild[rows].any()):
        return phase_on_grid(time_s, values, breaks, interval_s)
    across = [recording.across_s.get(row + rows.start, 0.0) / interval_s for row in breaks.tolist()]
    return measured_phase_on_grid(
        time_s,
        recording.offset[rows],
        breaks,
        across=np.array(across),
        left_out=wild[rows],
        interval_s=interval_s,
    )


def _fit_offsets(recording: Recording) -> FloatArray:
    """Return the fractional offsets, (n,), with nan for unfit readings."""
    values = recording.offset.copy()
    values[[row for row, flags in recording.flags.items() if flags & UNFIT]] = np.nan
    return values
