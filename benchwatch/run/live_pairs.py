"""The readings of counters that are compared while they are read, matched in pairs.

A pair begins anew when the time base, the gate or the nominal of one of its counters changes:
readings from before and after must not be mixed.
"""

import math
from collections import deque
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from benchwatch.counter import TimeBaseSource
from benchwatch.estimate.comparison.matched_pair import (
    SLOPE_READINGS,
    CounterReadings,
    MatchedPair,
    match_pair,
)
from benchwatch.estimate.comparison.pair_history import PairHistory
from benchwatch.reading import INTERNAL_TIMEBASE, Reading
from benchwatch.snapshot import Snapshot

FEWEST_READINGS: Final = 10
"""Readings of a counter from which its usual spacing is known."""
READINGS_HELD: Final = 4096
"""Newest readings of a counter that wait to be matched."""
GATE_CHANGE: Final = 0.01
"""Relative change of the gate from which on a comparison begins anew."""


@dataclass(frozen=True, slots=True)
class _Circumstances:
    """What a counter measured with; a change begins a comparison anew."""

    time_base: TimeBaseSource
    gate_s: float | None
    nominal_hz: float

    def differ(self, other: "_Circumstances") -> bool:
        """Return whether a known circumstance is another; one that is not told is no change."""
        gates = (self.gate_s, other.gate_s)
        bases = {self.time_base, other.time_base} - {"unknown"}
        return (
            len(bases) > 1
            or self.nominal_hz != other.nominal_hz
            or (
                gates[0] is not None
                and gates[1] is not None
                and abs(gates[0] - gates[1]) > GATE_CHANGE * gates[0]
            )
        )


class CounterQueue:
    """The readings of one counter that wait to be matched."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._incoming: deque[tuple[float, float, float, _Circumstances]] = deque(
            maxlen=4 * READINGS_HELD
        )
        """Time, offset, resolution and circumstances; of a spike its time and nan."""
        self._held: deque[tuple[float, float]] = deque(maxlen=READINGS_HELD)
        self.now: _Circumstances | None = None
        """Circumstances of the newest reading; None before the first."""
        self.since_s = -math.inf
        """When they last changed."""
        self.resolution = 0.0

    def put(self, reading: Reading, snapshot: Snapshot) -> None:
        """Put in a reading, on the counter's own thread."""
        spike_at_s = snapshot.numbers.spike_at_s
        stated = snapshot.time_base.source
        source: TimeBaseSource = "internal" if INTERNAL_TIMEBASE in reading.flags else stated
        now = _Circumstances(source, reading.gate_s, snapshot.nominal_hz)
        if spike_at_s is not None:
            self._incoming.append((spike_at_s, math.nan, 0.0, now))
        resolution = reading.resolution_hz / snapshot.nominal_hz
        self._incoming.append((reading.elapsed_s, reading.offset, resolution, now))

    def collect(self) -> None:
        """Take over what was put in."""
        while self._incoming:
            at_s, offset, resolution, now = self._incoming.popleft()
            if math.isnan(offset):
                self._held = deque(
                    (one for one in self._held if one[0] != at_s), maxlen=READINGS_HELD
                )
                continue
            if self.now is not None and self.now.differ(now):
                self._held.clear()
                self.since_s = at_s
            known = self.now if now.time_base == "unknown" else None
            self.now = now if known is None else replace(now, time_base=known.time_base)
            self.resolution = resolution
            self._held.append((at_s, offset))

    def drop_before(self, at_s: float) -> None:
        """Drop readings that are not needed any more."""
        while self._held and self._held[0][0] < at_s:
            self._held.popleft()

    @property
    def newest_s(self) -> float:
        """Time of the newest reading; -inf without any."""
        return self._held[-1][0] if self._held else -math.inf

    def readings(self) -> CounterReadings | None:
        """Return the readings that are held; None while they are too few."""
        if len(self._held) < FEWEST_READINGS or self.now is None:
            return None
        times, offsets = np.array(self._held).T
        own = 1.0 if self.now.time_base == "internal" else 0.0
        return CounterReadings(
            name=self.name,
            time_s=times,
            offset=offsets,
            own=np.full(times.size, own),
            gate_s=self.now.gate_s,
            spacing_s=max(float(np.median(np.diff(times))), 1e-6),
            resolution=self.resolution if math.isfinite(self.resolution) else 0.0,
        )


class LivePair:
    """The history of two counters, and up to when their readings are matched."""

    def __init__(self, first: CounterQueue, second: CounterQueue) -> None:
        self._first, self._second = first, second
        self._history = PairHistory()
        self.began_s = self.until_s = -math.inf
        """When the comparison began anew last, and up to when readings are matched."""
        self.context_s = 0.0
        """Time before `until_s` whose readings are still needed."""

    def match(self) -> None:
        """Match the readings that are complete on both sides."""
        changed_s = max(self._first.since_s, self._second.since_s)
        if changed_s > self.began_s:
            self._history, self.began_s, self.until_s = PairHistory(), changed_s, changed_s
        first, second = self._first.readings(), self._second.readings()
        if first is None or second is None:
            return
        longest_s = max(first.spacing_s, second.spacing_s, first.gate_s or 0, second.gate_s or 0)
        ahead_s = longest_s + (SLOPE_READINGS + 1) * min(first.spacing_s, second.spacing_s)
        self.context_s = 2.0 * ahead_s
        until_s = min(first.time_s[-1], second.time_s[-1]) - ahead_s
        found = match_pair(first, second)
        rows = np.flatnonzero((found.time_s > self.until_s) & (found.time_s <= until_s))
        self.until_s = max(self.until_s, until_s)
        if rows.size:
            self._history.add(found.rows(slice(rows[0], rows[-1] + 1)))

    def pair(self) -> MatchedPair | None:
        """Return all matched readings; None without any."""
        return self._history.pair()
