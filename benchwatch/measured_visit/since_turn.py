"""Deviations of the readings since the last turn, in bounded memory."""

from typing import TYPE_CHECKING, Final

import numpy as np

from benchwatch.estimate.spikes import spikes
from benchwatch.estimate.stability import octave_factors, stability_table
from benchwatch.estimate.stability.time_grid import phase_on_grid
from benchwatch.measured_visit.measured_visit import StabilitySinceTurn
from benchwatch.measured_visit.run_readings import OffsetPortion

if TYPE_CHECKING:
    from benchwatch.estimate.array_types import BoolArray, FloatArray

DEVIATION: Final = "oadev"
MOST_READINGS: Final = 1 << 20
"""The newest readings, so many at most, are used."""
FEWEST_READINGS: Final = 8
"""Fewer say nothing of stability."""


class ReadingsSinceTurn:
    """Keeps the newest readings since `begin_utc_s` (Unix seconds), and works out deviations."""

    def __init__(self, begin_utc_s: float) -> None:
        self._begin_utc_s = begin_utc_s
        self._parts: list[tuple[FloatArray, FloatArray, FloatArray, BoolArray]] = []
        """Times, offsets, gates, and whether some are missing in front of a reading."""
        self._held = 0
        self._gap_next = False
        """Whether some are missing in front of the next reading."""
        self.left_out = 0
        """How many of the oldest readings were given up."""
        self._counter = ""
        self._apart = 0
        """Readings of counters before that one."""

    def add_break(self) -> None:
        """Note that readings are missing before the next one."""
        self._gap_next = True

    def begin_counter(self, name: str) -> None:
        """Begin the readings of another counter: a step to it is not the unit's."""
        self._counter, self._apart = name, self._apart + self._held + self.left_out
        self._parts, self._held, self.left_out = [], 0, 0

    def add(self, portion: OffsetPortion) -> None:
        """Add readings, in the order of time."""
        n = portion.utc_s.size
        missing = np.zeros(n + 1, dtype=bool)
        missing[[place for place, _, _ in portion.gaps]] = True
        if not n:
            self._gap_next |= bool(missing[0])
            return
        missing[0] |= self._gap_next
        self._gap_next = bool(missing[n])
        first = int(np.searchsorted(portion.utc_s, self._begin_utc_s))
        if portion.new_scale is not None:
            self._parts, self._held, self.left_out = [], 0, 0
            first = max(first, portion.new_scale)
        if first == n:
            return
        rows = slice(first, n)
        self._parts.append(
            (portion.utc_s[rows], portion.offset[rows], portion.gate_s[rows], missing[rows])
        )
        self._held += n - first
        while self._held - self._parts[0][0].size >= MOST_READINGS:
            given_up = self._parts.pop(0)[0].size
            self._held -= given_up
            self.left_out += given_up

    def stability(self) -> StabilitySinceTurn | None:
        """Return the deviations; None where the readings are too few."""
        if self._held < FEWEST_READINGS:
            return None
        utc_s, offset, gate_s, missing = map(np.concatenate, zip(*self._parts, strict=True))
        is_known = np.isfinite(gate_s)
        gates, counts = np.unique(gate_s[is_known], return_counts=True)
        if gates.size > 1:
            chosen = gate_s == gates[np.argmax(counts)]
            # A stretch of another gate between two readings is a gap as well.
            stretch = np.cumsum(missing | ~chosen)[chosen]
            missing = np.concatenate(([True], np.diff(stretch) > 0))
            utc_s, offset = utc_s[chosen], offset[chosen]
        steps_s = np.diff(utc_s)
        interval_s = float(np.median(steps_s)) if steps_s.size else 0.0
        if offset.size < FEWEST_READINGS or interval_s <= 0:
            return None
        wild = spikes(offset)
        breaks = np.flatnonzero(missing[1:]) + 1
        phase = phase_on_grid(utc_s, np.where(wild, np.nan, offset), breaks, interval_s)
        points = stability_table(phase, interval_s, [DEVIATION], octave_factors(phase.points))
        if not points:
            return None
        return StabilitySinceTurn(
            points=points,
            begin_utc_s=float(utc_s[0]),
            end_utc_s=float(utc_s[-1]),
            readings=int(offset.size),
            spikes=int(wild.sum()),
            counter=self._counter if self._apart else "",
            apart=self._apart,
        )
