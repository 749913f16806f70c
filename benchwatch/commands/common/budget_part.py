"""The part of a run that one offset can be stated of: no nudge, and one time base."""

import math
from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.run_changes import find_changes
from benchwatch.estimate.spikes import spikes
from benchwatch.pipeline.time_base_correction import TimeBases
from benchwatch.plan import CountedBy, Plan
from benchwatch.reading import AS_FOUND, AS_LEFT, UNFIT, Gap, Reading, RecordKind


@dataclass(slots=True, kw_only=True)
class SteadyPart:
    """The readings of a run that count; nan stands for a gap."""

    times_s: list[float]
    offsets: list[float]
    nudges: int
    """Turns of the trimmer on the way to it."""
    changes: int = 0
    """Changes of the time base on the way to it."""
    by: CountedBy = field(default_factory=CountedBy)
    """What counted all of it."""
    spikes: int = 0
    """Lone wild readings that were left out of it."""
    settled_s: float | None = None
    """Since when it is settled, as `find_changes` has it, where that lies in it."""

    @property
    def readings(self) -> int:
        """How many readings there are."""
        return sum(map(math.isfinite, self.offsets))

    def since(self, at_s: float) -> "SteadyPart":
        """Return what begins at `at_s`."""
        first = bisect_left(self.times_s, at_s)
        times_s, offsets = self.times_s[first:], self.offsets[first:]
        return SteadyPart(
            times_s=times_s,
            offsets=offsets,
            nudges=self.nudges,
            changes=self.changes,
            by=self.by,
            spikes=self.spikes,
        )


@dataclass(slots=True)
class _Part:
    """What one time base counted."""

    by: CountedBy
    times_s: list[float] = field(default_factory=list)
    offsets: list[float] = field(default_factory=list)
    flagged: list[bool] = field(default_factory=list)
    """Which are known to be spikes."""
    gates: set[float] = field(default_factory=set)
    resolution: float = 0.0
    """Last digit of the newest reading as a fraction; 0 when unknown."""

    @property
    def readings(self) -> bool:
        return any(map(math.isfinite, self.offsets))


def steady_part(
    events: Iterable[Reading | Gap],
    kind: RecordKind = AS_LEFT,
    plan: Plan | None = None,
    *,
    settle: SettleLimit | None = None,
    wild_s: frozenset[float] = frozenset(),
) -> SteadyPart:
    """Keep what came since the last nudge or, as found, before the first, by one time base.

    Nudges are those that `find_changes` finds, spikes those of `estimate.spikes` and those
    flagged; spikes are left out, gaps become nan. Offsets stay as the counter read them.

    Args:
        events: of one counter.
        kind: as found or as left.
        plan: what is known of its time bases.
        settle: what settled means, None: where a warm-up ends that stands out.
        wild_s: times of readings that are known to be spikes.
    """
    parts = _parts(events, plan or Plan("main", ""), wild_s)
    with_readings = [place for place, part in enumerate(parts) if part.readings]
    chosen = len(parts) - 1
    if kind == AS_FOUND and with_readings:
        chosen = with_readings[0]
    tracks = [_track(part, kind, settle) for part in parts[: chosen + 1]]
    track = tracks[chosen]
    track.changes = min(len(parts) - 1, 1) if kind == AS_FOUND else chosen
    track.nudges = track.nudges if kind == AS_FOUND else sum(one.nudges for one in tracks)
    return track


def _parts(events: Iterable[Reading | Gap], plan: Plan, wild_s: frozenset[float]) -> list[_Part]:
    """Part a run by what counted it."""
    time_bases = TimeBases(plan)
    parts = [_Part(time_bases.now)]
    for event in events:
        if isinstance(event, Reading):
            if time_bases.take(event, "unknown", math.nan)[1]:
                parts.append(_Part(time_bases.now))
            parts[-1].by = time_bases.now
        part, offset = parts[-1], math.nan
        flagged = isinstance(event, Reading) and event.elapsed_s in wild_s
        if isinstance(event, Reading) and not event.flags & UNFIT and not flagged:
            offset = event.offset
            if event.frequency_hz > 0.0:
                part.resolution = event.resolution_hz / event.frequency_hz
        if isinstance(event, Reading) and event.gate_s is not None:
            part.gates.add(event.gate_s)
        part.flagged.append(flagged)
        part.times_s.append(event.elapsed_s)
        part.offsets.append(offset if math.isfinite(offset) else math.nan)
    return parts


def _track(part: _Part, kind: RecordKind, settle: SettleLimit | None) -> SteadyPart:
    """Cut a part at its first turn or its last."""
    times_s, offsets = np.array(part.times_s), np.array(part.offsets)
    wild = spikes(offsets)
    offsets[wild] = np.nan
    gate_s = next(iter(part.gates)) if len(part.gates) == 1 else None
    found = find_changes(times_s, offsets, gate_s=gate_s, settle=settle, resolution=part.resolution)
    turns = [bisect_left(part.times_s, at_s) for at_s in found.turns_s]
    first, last, nudges = 0, len(part.times_s), len(turns)
    if turns and kind == AS_FOUND:
        last, nudges = turns[0], 1
    elif turns:
        first = turns[-1]
    kept_s, kept = part.times_s[first:last], offsets[first:last].tolist()
    settled_s = found.settled_s
    if settled_s is not None and not (kept_s and kept_s[0] <= settled_s <= kept_s[-1]):
        settled_s = None
    left_out = int((wild | np.array(part.flagged, dtype=bool))[first:last].sum())
    return SteadyPart(
        times_s=kept_s,
        offsets=kept,
        nudges=nudges,
        changes=0,
        by=part.by,
        spikes=left_out,
        settled_s=settled_s,
    )
