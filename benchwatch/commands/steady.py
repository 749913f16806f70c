"""The part of a run that one offset can be stated of: no nudge, and one time base."""

import math
from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from benchwatch.estimate.live import LiveEstimate
from benchwatch.estimate.offset_record import RecordKind
from benchwatch.filing import CountedBy
from benchwatch.plan import Plan
from benchwatch.reading import UNFIT, Gap, Reading
from benchwatch.timebase import TimeBases


@dataclass(slots=True)
class Track:
    """The readings of a run that count; nan stands for a gap."""

    times_s: list[float]
    offsets: list[float]
    nudges: int
    """Turns of the trimmer on the way to it."""
    changes: int = 0
    """Changes of the time base on the way to it."""
    by: CountedBy = field(default_factory=CountedBy)
    """What counted all of it."""

    @property
    def readings(self) -> int:
        """How many readings there are."""
        return sum(map(math.isfinite, self.offsets))


def steady_part(
    events: Iterable[Reading | Gap], kind: RecordKind = "as left", plan: Plan | None = None
) -> Track:
    """Keep what came since the last nudge or, as found, before the first, by one time base.

    Nudges and wild readings are those that the live estimate finds; wild readings are left
    out, gaps become nan. Offsets stay as the counter read them.

    Args:
        events: of one counter.
        kind: as found or as left.
        plan: what is known of its time bases.
    """
    estimate, time_bases = LiveEstimate(), TimeBases(plan or Plan("main", ""))
    track = Track([], [], 0)
    for event in events:
        if isinstance(event, Reading) and time_bases.take(event, "unknown", math.nan)[1]:
            estimate.gap()
            if kind == "as found" and track.readings:
                return replace(track, changes=1)
            track = Track([], [], track.nudges, track.changes + 1)
        if isinstance(event, Reading):
            track.by = time_bases.now
        track.times_s.append(event.elapsed_s)
        track.offsets.append(math.nan)
        if isinstance(event, Gap):
            estimate.gap(event.lasted_s)
            continue
        if event.flags & UNFIT or not math.isfinite(event.offset):
            continue
        numbers = estimate.add(event.elapsed_s, event.offset, gate_s=event.gate_s)
        track.offsets[-1] = event.offset
        if numbers.spike_at_s is not None:
            track.offsets[_place(track.times_s, numbers.spike_at_s)] = math.nan
        nudge = numbers.confirmed_nudge
        if nudge is not None:
            turn = _place(track.times_s, nudge.at_s)
            if kind == "as found":
                return replace(
                    track, times_s=track.times_s[:turn], offsets=track.offsets[:turn], nudges=1
                )
            track = replace(
                track,
                times_s=track.times_s[turn:],
                offsets=track.offsets[turn:],
                nudges=track.nudges + 1,
            )
    return track


def _place(times_s: list[float], at_s: float) -> int:
    return min(bisect_left(times_s, at_s), len(times_s) - 1)
