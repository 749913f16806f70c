"""Time on a horizontal axis, with the long pauses between measurements cut short."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from itertools import pairwise
from typing import Final

from benchwatch.clock import local
from benchwatch.quantity import format_duration
from benchwatch.report.charts.chart import ChartAxis, Pause, Tick
from benchwatch.report.charts.ticks import (
    MINUTE_S,
    clock_label,
    clock_ticks,
    duration_ticks,
    written_day,
)

PAUSE_SPACINGS: Final = 20.0
"""A pause is at least this many times as long as the usual time from point to point."""
CUT_SHARE: Final = 0.25
"""A pause is cut short where it is longer than this part of all that was measured."""
PAUSE_WIDTH: Final = 0.045
"""Part of the measured time that a pause takes on the axis."""
MOST_WIDTH: Final = 0.3
"""The same for all pauses together."""


@dataclass(frozen=True, slots=True)
class Cut:
    """A pause that is cut short; Unix seconds, and where it ends up on the axis."""

    begin_s: float
    end_s: float
    drawn_begin: float
    drawn_end: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CutTime:
    """The time from `begin_s` to `end_s`, Unix seconds; on the axis seconds without the cuts."""

    begin_s: float
    end_s: float
    cuts: tuple[Cut, ...] = ()

    def at(self, utc_s: float) -> float:
        """Return where a time is on the axis."""
        removed = 0.0
        for cut in self.cuts:
            if utc_s <= cut.begin_s:
                break
            if utc_s < cut.end_s:
                share = (utc_s - cut.begin_s) / (cut.end_s - cut.begin_s)
                return cut.drawn_begin + share * (cut.drawn_end - cut.drawn_begin)
            removed += (cut.end_s - cut.begin_s) - (cut.drawn_end - cut.drawn_begin)
        return utc_s - self.begin_s - removed

    def pauses(self) -> list[Pause]:
        """Return the cuts as parts of a chart."""
        return [
            Pause(
                begin=cut.drawn_begin,
                end=cut.drawn_end,
                text=format_duration(cut.end_s - cut.begin_s),
            )
            for cut in self.cuts
        ]

    def axis(self, most: int, tz: tzinfo | None, *, undated: bool = False) -> ChartAxis:
        """Return the axis with about `most` figures, of local time.

        Args:
            most: figures that there is room for.
            tz: zone of the local time; None: that of this computer.
            undated: whether the times are seconds of a run without dates.
        """
        length = self.at(self.end_s)
        if undated:
            ticks = [
                Tick(self.at(tick.at), tick.text)
                for tick in duration_ticks(self.begin_s, self.end_s, most)
            ]
            label = "time since the run began"
        else:
            several = local(self.begin_s, tz).date() != local(self.end_s, tz).date()
            ticks = [
                Tick(self.at(tick.at), tick.text)
                for begin_s, end_s in self._measured()
                for tick in self._ticks_of(begin_s, end_s, most / length, tz, dated=several)
            ]
            label = clock_label(self.begin_s, self.end_s, tz)
        return ChartAxis(label=label, low=0.0, high=length, ticks=tuple(ticks))

    def _measured(self) -> list[tuple[float, float]]:
        """Return the stretches between the cuts, Unix seconds."""
        begins = [self.begin_s, *(cut.end_s for cut in self.cuts)]
        ends = [*(cut.begin_s for cut in self.cuts), self.end_s]
        return list(zip(begins, ends, strict=True))

    def _ticks_of(
        self, begin_s: float, end_s: float, per_s: float, tz: tzinfo | None, *, dated: bool
    ) -> Sequence[Tick]:
        """Return the ticks of one stretch; one where it begins if no round time is in it."""
        room = round((end_s - begin_s) * per_s)
        ticks = clock_ticks(begin_s, end_s, room, tz, dated=dated) if room else ()
        if ticks or (end_s <= begin_s and not self.cuts):
            return ticks
        then = local(begin_s, tz)
        form = "%H:%M:%S" if per_s * MINUTE_S < 1 and not self.cuts else "%H:%M"
        day = f"\n{written_day(then.date())}" if dated else ""
        return [Tick(begin_s, f"{then:{form}}{day}")]


def cut_time(times: Sequence[float], also: Sequence[float] = ()) -> CutTime | None:
    """Return the time that holds all points, with long pauses cut short; None without a point.

    Args:
        times: of the points, Unix seconds, in any order; what is not finite is left out.
        also: times to be covered, such as those of records; nothing is told from their distances.
    """
    points = sorted(time for time in times if math.isfinite(time))
    others = [time for time in also if math.isfinite(time)]
    every = sorted([*points, *others])
    if not every:
        return None
    begin_s, end_s = every[0], every[-1]
    if end_s <= begin_s:
        return CutTime(begin_s=begin_s - 30.0, end_s=begin_s + 30.0)
    spacings = [after - before for before, after in pairwise(points) if after > before]
    if not spacings:
        return CutTime(begin_s=begin_s, end_s=end_s)
    usual_s = sorted(spacings)[len(spacings) // 2]
    long = [
        (before, after)
        for before, after in pairwise([begin_s, *points, end_s])
        if after - before > PAUSE_SPACINGS * usual_s
    ]
    measured_s = (end_s - begin_s) - sum(after - before for before, after in long)
    pauses = [(a, b) for a, b in long if measured_s > 0 and b - a > CUT_SHARE * measured_s]
    measured_s = (end_s - begin_s) - sum(after - before for before, after in pauses)
    width = min(PAUSE_WIDTH, MOST_WIDTH / max(len(pauses), 1)) * measured_s
    cuts, removed = [], 0.0
    for before, after in pauses:
        drawn = before - begin_s - removed
        cuts.append(Cut(before, after, drawn, drawn + width))
        removed += (after - before) - width
    return CutTime(begin_s=begin_s, end_s=end_s, cuts=tuple(cuts))
