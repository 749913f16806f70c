"""Where a recorded file has no readings, and for how long."""

from typing import Final

import numpy as np

from benchwatch.recording.record import FloatArray, Hole
from benchwatch.recording.rows import Rows

LONGEST_STEP: Final = 1.5
"""Intervals; a longer step between rows means that something is missing."""
LONGEST_STEP_TOLD: Final = 10.0
"""The same in a file that tells its gaps: readings come unevenly, but whole lines may be lost."""


def find_holes(rows: Rows, good: list[int], time_s: FloatArray, step_s: float) -> list[Hole]:
    """Find what is missing between the rows with a number, before the first and after the last.

    Stamps are at the middle of a gate, so that a reading covers half an interval either side.
    """
    longest = LONGEST_STEP_TOLD if rows.tells_gaps else LONGEST_STEP
    told: dict[int, list[Hole]] = {}
    position = np.searchsorted(np.array(good), [gap.before for gap in rows.gaps])
    for gap, before in zip(rows.gaps, position.tolist(), strict=True):
        told.setdefault(before, []).append(gap)
    holes: list[Hole] = []
    for i in range(len(good) + 1):
        if i in told:
            holes += [Hole(i, gap.begin_s, gap.lasted_s, gap.reason) for gap in told[i]]
            continue
        first = good[i - 1] + 1 if i else 0
        last = good[i] if i < len(good) else len(rows.text)
        begin_s = time_s[first - 1] + step_s / 2 if first else time_s[0] - step_s / 2
        end_s = (time_s[last] if last < len(time_s) else time_s[-1] + step_s) - step_s / 2
        lasted_s = max(float(end_s - begin_s), 0.0)
        if last > first:
            names = f"line {rows.line[first]}"
            if last - first > 1:
                names = f"lines {rows.line[first]} to {rows.line[last - 1]}"
            holes.append(Hole(i, float(begin_s), lasted_s, f"no value in {names} of the file"))
        elif 0 < i < len(good) and step_s and lasted_s > (longest - 1) * step_s:
            reason = f"the file has no rows for {lasted_s:.6g} s"
            holes.append(Hole(i, float(begin_s), lasted_s, reason))
    return holes
