"""How the oscillator moves by itself: its drift, and its wander at each time scale.

A cascade halves the readings' rate again and again. At octave j the means of neighbouring
blocks of w = 2^j readings give the Allan variance, (b2 − b1)²/2, which drift enlarges, and the
Hadamard variance, (b3 − 2 b2 + b1)²/6, which it does not (NIST SP 1065, sections 5.2.2 and 5.2.8),
robustly, from the newest differences. What exceeds white noise, σ²/w, is called wander: flicker,
random walk, drift. Reasons for using it: under flicker noise σ/√n alone covers the truth in 25 to
66 % of cases, and averaging for longer than the wander allows makes the mean worse.
"""

import math
import sys
from typing import Final

from benchwatch.estimate.block_means import CascadeLevel, cascade
from benchwatch.estimate.level.robust_spread import RobustSpread
from benchwatch.estimate.level.slope_tracker import SLOPE_BLOCKS, BlockMeans, SlopeTracker
from benchwatch.estimate.sample_variances import ALLAN_DIVISOR, HADAMARD_DIVISOR, second_difference

OCTAVES: Final = 12
"""The longest blocks are 4096 readings."""
_DIFFERENCES_KEPT = 48
"""Differences kept at each octave."""
_ENOUGH_DIFFERENCES = 12
"""Differences needed before an octave counts by itself ..."""
_FEWEST_DIFFERENCES = 3
"""... and before it counts in the mean over all octaves."""
_VARIANCE_SCATTER = 3.0
"""Relative variance of a variance from m differences that share blocks, times m."""
_SURE_SDS = 3.0 * math.sqrt(_VARIANCE_SCATTER)
"""Three standard deviations of a variance from m differences: 3 √(3/m)."""
_BELIEVED_OCTAVE = 5
"""From this octave on, blocks of 64 readings, an excess counts even where it may be chance."""
_SHARED_SDS_ADDED = 0.03
"""Standard deviations added to the excess that all octaves share: few readings do not show
a small excess; more than this would make u too large where there is no excess."""
_SHARED_SDS_ALLOWED = 1.5
"""Standard deviations by which the shared excess may exceed that of any one octave: the longest
ones still hold a warm-up that is over."""
_EXCESS_WEIGHT = 0.64
"""Share of an octave's excess that goes into the variance of a mean; see `variance_of_mean`."""
_ALWAYS_AVERAGED = 32
"""Readings averaged for any wander; `ChangePoints` detects motion over fewer readings."""
UNLIMITED: Final = sys.maxsize


class _SingleReadings(CascadeLevel[float]):
    """The readings themselves, none of which are kept: `ReadingNoise` has their noise."""

    __slots__ = ()

    def take(self, block: float) -> float | None:
        """Take a reading; return its mean with the one before, if that is unpaired."""
        first = self._unpaired
        if first is None:
            self._unpaired = block
            return None
        self._unpaired = None
        return 0.5 * (first + block)


class _Octave(CascadeLevel[float]):
    """Blocks of one length."""

    __slots__ = ("allan", "blocks", "hadamard")

    def __init__(self) -> None:
        super().__init__()
        self.blocks = BlockMeans(maxlen=SLOPE_BLOCKS)
        self.allan = RobustSpread(_DIFFERENCES_KEPT)
        self.hadamard = RobustSpread(_DIFFERENCES_KEPT)

    def append(self, block: float) -> None:
        """Keep a block, and the differences from the one or two before."""
        blocks = self.blocks
        if blocks:
            self.allan.add(abs(block - blocks[-1]))
            if len(blocks) > 1:
                self.hadamard.add(abs(second_difference(blocks[-2], blocks[-1], block)))
        blocks.append(block)

    @staticmethod
    def joined(first: float, second: float) -> float:
        """Return the mean of two neighbouring blocks."""
        return 0.5 * (first + second)

    def restart(self) -> None:
        """Discard the blocks, keep the spreads: the next block adjoins no earlier one."""
        self.end_pair()
        self.blocks.clear()


class _Excess:
    """Variance beyond white noise at each octave, with drift (Allan) or without (Hadamard)."""

    def __init__(self) -> None:
        self.sums = [0.0] * (OCTAVES + 1)
        """Excess that goes into the variance of a mean, summed up to each octave."""
        self.most_readings = UNLIMITED
        """Averaging more readings than this gains nothing."""
        self._floor = 0.0
        """One excess for all octaves, as flicker noise has it: their weighted mean."""
        self._shown = [0.0] * OCTAVES
        """Excess of each octave by itself, where it is significant; else 0."""
        self.likely = [0.0] * OCTAVES
        """Largest excess up to each octave, significant or not."""

    def renew(self, spreads: list[RobustSpread], divisor: float, white: float) -> None:
        """Recompute the excess; an octave with too few differences repeats the one below it."""
        shown = self._shown
        surely = OCTAVES
        last = worst = total = weights = 0.0
        most = math.inf
        known = 0
        for place, spread in enumerate(spreads):
            count = len(spread)
            if count < _FEWEST_DIFFERENCES:
                # Longer blocks have no more differences.
                break
            known = place + 1
            noise = white / (2 << place)
            own = spread.recent_sd(math.sqrt(divisor * noise)) ** 2 / divisor - noise
            scatter = noise + self._floor
            if scatter > 0.0:
                weight = count / (_VARIANCE_SCATTER * scatter * scatter)
                weights += weight
                total += weight * own
            if count >= _ENOUGH_DIFFERENCES:
                last = max(own, 0.0)
                worst = max(worst, last)
                most = min(
                    most, last + _SHARED_SDS_ALLOWED * noise * math.sqrt(_VARIANCE_SCATTER / count)
                )
                if surely == OCTAVES and last > noise * _SURE_SDS / math.sqrt(count):
                    surely = place
            self.likely[place] = worst
            believed = surely < OCTAVES or (
                place >= _BELIEVED_OCTAVE and count >= _ENOUGH_DIFFERENCES
            )
            shown[place] = last if believed else 0.0
        rest = OCTAVES - known
        self.likely[known:] = [worst] * rest
        shown[known:] = [last if surely < OCTAVES else 0.0] * rest
        least = 0.0
        if weights > 0.0:
            self._floor = min(max(total / weights, 0.0), most)
            least = max(self._floor + _SHARED_SDS_ADDED / math.sqrt(weights), 0.0)
        total = 0.0
        for place, own in enumerate(shown, 1):
            total += _EXCESS_WEIGHT * max(own, least)
            self.sums[place] = total
        self.most_readings = UNLIMITED if surely == OCTAVES else max(2 << surely, _ALWAYS_AVERAGED)


class LowFrequencyNoise:
    """Wander at 2, 4, 8 ... readings, and the slope; amortised O(1) a reading."""

    def __init__(self) -> None:
        self._octaves = [_Octave() for _ in range(OCTAVES)]
        self._single = _SingleReadings()
        self._levels = [self._single, *self._octaves]
        self._blocks = [octave.blocks for octave in self._octaves]
        self._allan_spreads = [octave.allan for octave in self._octaves]
        self._hadamard_spreads = [octave.hadamard for octave in self._octaves]
        self._allan = _Excess()
        self._hadamard = _Excess()
        self.trend = SlopeTracker()
        """The slope that the level follows."""

    @property
    def most_readings(self) -> int:
        """Averaging more readings than this gains nothing."""
        # Drift does not spoil a mean that follows it.
        excess = self._hadamard if self.trend.slope else self._allan
        return excess.most_readings

    def restart(self) -> None:
        """Begin new blocks after a step or a gap; learned spreads and slope are kept."""
        self._single.end_pair()
        for octave in self._octaves:
            octave.restart()
        self.trend.restart()

    def add(self, offset: float, sigma: float) -> None:
        """Take one reading and the present sd of single readings, both fractional."""
        reached, _ = cascade(self._levels, offset)
        complete = reached - 1
        white = sigma * sigma
        if complete >= 1:
            self.trend.renew(self._blocks[:complete], white)
        if complete >= 3:
            self._allan.renew(self._allan_spreads, ALLAN_DIVISOR, white)
            self._hadamard.renew(self._hadamard_spreads, HADAMARD_DIVISOR, white)

    def variance_of_mean(self, readings: int) -> float:
        """Return the variance, from wander, between now and the mean of the last `readings`.

        The mean of n readings differs from that of the newest n/2 by half the difference of
        neighbouring block means, variance σy²(n/2)/2; and so on down to the newest reading. Under
        flicker noise these differences are not independent: 0.61 to 0.68 instead of 1/2 an octave
        (simulation).
        """
        octaves = min(readings.bit_length() - 1, OCTAVES)
        without_drift = self._hadamard.sums[octaves]
        if self.trend.slope:
            return without_drift + (0.5 * readings * self.trend.u) ** 2
        # The Allan variance still holds the drift of a warm-up that is over.
        drift = 0.5 * readings * self.trend.at_most(readings)
        return min(self._allan.sums[octaves], without_drift + drift * drift)

    def variance_over(self, intervals: float, readings: int) -> float:
        """Return the variance of the level's change over a gap, beyond the drift that is followed.

        Means over blocks as long as the gap differ by √2 of their deviation, and the level wanders
        as far at each shorter scale as well. The u of the slope is the drift that may be hidden.

        Args:
            intervals: length of the gap in intervals between readings.
            readings: number of readings for which the level has stood still.
        """
        octaves = min(math.ceil(2.0 * intervals).bit_length(), OCTAVES)
        slope = self.trend.u if self.trend.slope else self.trend.at_most(readings)
        return 2.0 * self._hadamard.sums[octaves] + (intervals * slope) ** 2

    def variance_of_later_mean(self, intervals: float, averaged: int, readings: int) -> float:
        """Return the variance between the level now and the mean of later readings.

        Wander faster than the mean averages out of it, and its scatter is seen in the readings
        themselves. Half of the drift that may be hidden counts, as in `variance_of_mean`. With
        both, the intervals of a check at another dial setting hold the truth in 93 to 97 % of made
        runs.

        Args:
            intervals: from now to the middle of these readings, in intervals between readings.
            averaged: number of these readings.
            readings: number of readings for which the level has stood still.
        """
        octaves = min(math.ceil(2.0 * intervals).bit_length(), OCTAVES)
        faster = min(max(averaged, 1).bit_length() - 1, octaves)
        slope = self.trend.u if self.trend.slope else 0.5 * self.trend.at_most(readings)
        wander = self._hadamard.sums[octaves] - self._hadamard.sums[faster]
        return wander + (intervals * slope) ** 2

    def excess_of_step(self, readings: int) -> float:
        """Return the Hadamard variance beyond white noise, in blocks up to `readings` long."""
        return self._hadamard.likely[min(readings.bit_length() - 1, OCTAVES - 1)]
