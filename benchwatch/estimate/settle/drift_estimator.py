"""The drift over the shortest span on which its slope is significant."""

import math
from typing import Final

from benchwatch.estimate.block_means import BlockLevel, OctaveMeans
from benchwatch.estimate.regression import FittedLine, fit_line
from benchwatch.estimate.results import Drift
from benchwatch.estimate.settle.noise_model import NoiseModel

MOST_BLOCKS: Final = 32
"""Most block means in a fit."""
KAPPA: Final = 2.55
"""sd of a least-squares slope is κ·σy(T/2)/T: white FM √6, flicker FM 2.548, random walk √7.2."""
DOUBLE_BELOW_U: Final = 5.0
HALVE_ABOVE_U: Final = 10.0
"""The span doubles while the drift is less than `DOUBLE_BELOW_U` times its u, and halves while the
drift over half the span is more than `HALVE_ABOVE_U` times its u."""
BENT_U: Final = 2.0
"""The span also halves, and does not double, where the slopes of the newer half and of the whole
differ by more than this many u of the former: the offset creeps after a nudge and comes to rest,
and one line through both would show a drift that is over."""


class DriftEstimator:
    """Fits a line to one level of the block means; each fit changes it by one level at most."""

    def __init__(self) -> None:
        self._level = 0
        self._lines: dict[int, tuple[tuple[BlockLevel, int, float], FittedLine]] = {}
        """The newest line through each level, and of which state of the level it is."""

    def estimate(
        self, means: OctaveMeans, since: float, longest_s: float, noise: NoiseModel | None
    ) -> Drift | None:
        """Return the slope of the newest readings after `since`; None before three of them.

        Its u is from σy(T/2) of `noise`, which a drift does not enlarge (second differences).

        Args:
            means: block means of the readings.
            since: time of the newest nudge, s.
            longest_s: longest span, s.
            noise: of the readings; None while unknown, and the drift then has no u.
        """
        level = self._level
        here = self._slope(means, level, since, noise)
        while here is None and level:
            level -= 1
            here = self._slope(means, level, since, noise)
        if here is not None and not _significant(here, DOUBLE_BELOW_U):
            longer = self._slope(means, level + 1, since, noise)
            if (
                longer is not None
                and here.span_s < longer.span_s
                and 2.0 * here.span_s <= longest_s
                and not _bent(longer, here)
            ):
                level, here = level + 1, longer
        elif here is not None and level:
            shorter = self._slope(means, level - 1, since, noise)
            if shorter is not None and (
                _significant(shorter, HALVE_ABOVE_U) or _bent(here, shorter)
            ):
                level, here = level - 1, shorter
        self._level = level
        return here

    def _slope(
        self, means: OctaveMeans, level: int, since: float, noise: NoiseModel | None
    ) -> Drift | None:
        """Return the slope of one level; None where it has too few blocks."""
        if level >= len(means.levels):
            return None
        line = self._line(means.levels[level], level, since)
        if line is None:
            return None
        span_s = line.span * line.points / (line.points - 1)
        u = KAPPA * math.sqrt(noise.variance(span_s / 2.0)) / span_s if noise else None
        return Drift(line.slope, u, span_s)

    def _line(self, blocks: BlockLevel, level: int, since: float) -> FittedLine | None:
        """Fit a line to the newest blocks after `since`, or return the last one if it is that."""
        state = (blocks, blocks.changes, since)
        known = self._lines.get(level)
        if known is not None and known[0] == state:
            return known[1]
        rows = blocks.rows()[:, -MOST_BLOCKS:]
        rows = rows[:, int(rows[0].searchsorted(since)) :]
        if rows.shape[1] < (MOST_BLOCKS // 2 if level else 3):
            return None
        line = fit_line(rows[0], rows[1])
        self._lines[level] = (state, line)
        return line


def _significant(drift: Drift, times: float) -> bool:
    return drift.u is not None and abs(drift.per_s) > times * drift.u


def _bent(longer: Drift, shorter: Drift) -> bool:
    u = shorter.u
    return u is not None and abs(shorter.per_s - longer.per_s) > BENT_U * u
