"""Quality of the live estimate on series of turns in quick succession."""

import math
from dataclasses import dataclass

from made_series import MadeSeries

from benchwatch.estimate.live_estimate import LiveEstimate
from benchwatch.estimate.results import Drift, SettleLimit

LIMIT = SettleLimit(1e-9, 600.0)


@dataclass(frozen=True, slots=True)
class SeriesQuality:
    """Figures of one made series."""

    nudges: int
    left: float
    """Movement that no nudge reports, less the creep after the last turn; fractional."""
    u: float
    """Standard uncertainty of the sum of all nudges."""
    drift_late_s: float
    """From the last turn until the drift is right, within 3 u, and stays so."""
    settled: bool
    """Whether the verdict was settled before the first turn."""
    unsettled_s: float
    """How long the verdict was not settled, from the first turn on."""
    settled_late_s: float
    """From the last turn until the verdict is settled and stays so; 0 if it always was."""

    @property
    def accounted(self) -> bool:
        """Whether nudges report all movement, within 3 u."""
        return self.left <= 3.0 * self.u


def follow(made: MadeSeries) -> SeriesQuality:
    """Run the live estimate over one made series."""
    live = LiveEstimate(settle=LIMIT)
    sizes: list[float] = []
    squares: list[float] = []
    drift_wrong_s, settled, lost, last_lost_s = 0.0, False, 0, 0.0
    drift, right = None, True
    for k, (now_s, offset) in enumerate(zip(made.times_s, made.readings, strict=True)):
        numbers = live.add(float(now_s), float(offset), gate_s=made.gate_s)
        stands = numbers.settle is not None and numbers.settle.state == "settled"
        if now_s + made.gate_s / 2.0 < made.first_s:
            settled = stands
            continue
        nudge = numbers.confirmed_nudge
        if nudge is not None:
            sizes.append(nudge.size)
            squares.append((nudge.u or 0.0) ** 2)
        if not stands:
            lost += 1
            last_lost_s = now_s - made.last_s
        # The drift is not recomputed with every reading.
        if numbers.drift is not drift:
            drift = numbers.drift
            right = _right(made, k, drift)
        late_s = float(now_s - made.last_s)
        if late_s > 0.0 and not right:
            drift_wrong_s = late_s
    left = abs(math.fsum(sizes) - made.moved) - made.creeping
    return SeriesQuality(
        nudges=len(sizes),
        left=left,
        u=math.sqrt(math.fsum(squares)),
        drift_late_s=drift_wrong_s,
        settled=settled,
        unsettled_s=lost * made.gate_s,
        settled_late_s=max(last_lost_s, 0.0) if lost else 0.0,
    )


def _right(made: MadeSeries, place: int, drift: Drift | None) -> bool:
    """Return whether the drift is that of the truth since the last turn, within 3 u.

    During a creep the true slope depends on where the span begins, which is known to a block only.
    """
    if drift is None or drift.u is None:
        return True
    slopes = [_slope(made, place, share * drift.span_s) for share in (0.8, 1.0, 1.25)]
    return min(slopes) - 3.0 * drift.u <= drift.per_s <= max(slopes) + 3.0 * drift.u


def _slope(made: MadeSeries, place: int, span_s: float) -> float:
    """Return the slope of a straight line through the truth."""
    since_s = max(made.times_s[place] - span_s, made.last_s + made.gate_s / 2.0)
    first = int(made.times_s.searchsorted(since_s))
    if place - first < 2:
        return made.drift_per_s
    times, truth = made.times_s[first : place + 1], made.truth[first : place + 1]
    t = times - times.mean()
    return float(t @ truth / (t @ t))
