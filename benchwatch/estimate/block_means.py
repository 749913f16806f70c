"""Means of blocks of 1, 2, 4 ... readings: months of readings in a few thousand numbers.

Two neighbouring blocks of a level make one of the next, so each reading touches two levels on
average. Drift and settle verdict use `OctaveMeans`; the level's low-frequency noise has levels
of its own (`level.low_frequency_noise`), which take part in the same cascade.

Two similar structures are no block means. The charts (`pipeline.history`) join eight entries at a
time into their lowest and highest, and end them at gaps, for a lone spike must stay visible. The
live deviations (`stability.live_deviations`) need single points of phase, ever further apart.
"""

import math
from collections.abc import Sequence
from typing import Final, Generic, NamedTuple, TypeVar

import numpy as np

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.sample_variances import HADAMARD_DIVISOR, second_difference

FEWEST_BLOCKS_KEPT: Final = 64
"""Fewest blocks kept in a level; older readings are in the blocks of the next level."""
SQUARES_AVERAGED: Final = 40
"""Newest second differences averaged in a level: the present noise, not that of the warm-up."""

Mean = TypeVar("Mean", float, "BlockMean")


class CascadeLevel(Generic[Mean]):
    """Blocks of one length, two neighbouring ones of which make one of the next length."""

    __slots__ = ("_unpaired",)

    def __init__(self) -> None:
        self._unpaired: Mean | None = None
        """The newest block, where its neighbour is still to come."""

    def take(self, block: Mean) -> Mean | None:
        """Take the next block; return its mean with the one before, if that is unpaired."""
        self.append(block)
        first = self._unpaired
        if first is None:
            self._unpaired = block
            return None
        self._unpaired = None
        return self.joined(first, block)

    def end_pair(self) -> None:
        """Make the next block the first of a pair: it does not adjoin the one before."""
        self._unpaired = None

    def append(self, block: Mean) -> None:
        """Store a block that adjoins the one before, and what is computed from both."""
        raise NotImplementedError

    @staticmethod
    def joined(first: Mean, second: Mean) -> Mean:
        """Return the mean of two neighbouring blocks."""
        raise NotImplementedError


def cascade(levels: Sequence[CascadeLevel[Mean]], block: Mean) -> tuple[int, Mean | None]:
    """Add a block to the first level, and to each further level the block that is now complete.

    Returns:
        How many levels have a new block; and the block that is now complete above the last level,
        None without one.
    """
    reached = 0
    for level in levels:
        reached += 1
        above = level.take(block)
        if above is None:
            return reached, None
        block = above
    return reached, block


class BlockMean(NamedTuple):
    """Mean `y` of `n` consecutive readings; `t`: their mean time, `last`: time of the last one."""

    t: float
    y: float
    n: float
    last: float


class BlockLevel(CascadeLevel[BlockMean]):
    """The newest blocks of one length, oldest first, in arrays that are never reallocated."""

    def __init__(self) -> None:
        super().__init__()
        self._table = np.empty((4, 2 * FEWEST_BLOCKS_KEPT))
        self.size = 0
        self.changes = 0
        """Counts up whenever a block is stored or removed."""
        self._adjoining = 0
        """Number of blocks, up to the newest, that adjoin each other."""
        self._before = 0.0, 0.0
        """Means of the last two of these."""
        self._squares = [0.0] * SQUARES_AVERAGED
        self._squared = 0
        self._variance: float | None = None
        """What `hadamard` returned since the newest second difference; None: nothing yet."""

    def append(self, block: BlockMean) -> None:
        """Store a block that adjoins the one before, and its second difference."""
        first, second = self._before
        third = block[1]
        self._before = second, third
        self._adjoining += 1
        if self._adjoining >= 3:
            difference = second_difference(first, second, third)
            self._squares[self._squared % SQUARES_AVERAGED] = (
                difference * difference / HADAMARD_DIVISOR
            )
            self._squared += 1
            self._variance = None
        if self.size == 2 * FEWEST_BLOCKS_KEPT:
            # Drop the older half.
            self._table[:, :FEWEST_BLOCKS_KEPT] = self._table[:, FEWEST_BLOCKS_KEPT:]
            self.size = FEWEST_BLOCKS_KEPT
        self._table[:, self.size] = block
        self.size += 1
        self.changes += 1

    @staticmethod
    def joined(first: BlockMean, second: BlockMean) -> BlockMean:
        """Return the mean of two neighbouring blocks."""
        n = first.n + second.n
        return BlockMean(
            (first.n * first.t + second.n * second.t) / n,
            (first.n * first.y + second.n * second.y) / n,
            n,
            second.last,
        )

    def hadamard(self) -> tuple[float, int]:
        """Return the Hadamard variance of neighbouring blocks, and its number of differences."""
        count = min(self._squared, SQUARES_AVERAGED)
        if self._variance is None:
            self._variance = math.fsum(self._squares) / count if count else math.nan
        return self._variance, count

    def end_pair(self) -> None:
        """Make the next block adjoin none before it."""
        super().end_pair()
        self._adjoining = 0

    def restart(self) -> None:
        """Discard the blocks, keep the noise."""
        self.size = 0
        self.changes += 1
        self.end_pair()

    def rows(self) -> FloatArray:
        """Return four rows, (4, size): mean times, means, numbers of readings, last times."""
        return self._table[:, : self.size]

    def newest(self) -> BlockMean:
        """Return the newest block; there must be one."""
        t, y, n, last = self._table[:, self.size - 1].tolist()
        return BlockMean(t, y, n, last)

    def remove_newest(self) -> None:
        """Remove the newest block; there must be one."""
        self.size -= 1
        self.changes += 1


class OctaveMeans:
    """Means of blocks of 1, 2, 4, 8 ... readings.

    Times and values must be near zero (subtract an origin first) or digits are lost.
    """

    def __init__(self) -> None:
        self.levels = [BlockLevel()]

    def restart(self) -> None:
        """Discard all blocks, keep the noise."""
        for level in self.levels:
            level.restart()

    def add(self, t: float, y: float) -> None:
        """Take one reading."""
        _, above = cascade(self.levels, BlockMean(t, y, 1.0, t))
        if above is not None:
            level = BlockLevel()
            level.take(above)
            self.levels.append(level)

    def cut(self, start: float) -> list[tuple[float, float]]:
        """End all blocks before `start`, so that none lies on both sides of it.

        Returns:
            Times and values of the readings from `start` on that are still stored one by one.
            They are removed; the caller adds those it keeps again.
        """
        rows = self.levels[0].rows()
        late = rows[0] >= start
        dropped = list(zip(rows[0, late].tolist(), rows[1, late].tolist(), strict=True))
        for level in self.levels:
            while level.size and level.newest().last >= start:
                level.remove_newest()
        carried: BlockMean | None = None
        for at, level in enumerate(self.levels):
            if carried is not None:
                level.end_pair()
                level.append(carried)
            newest = level.newest() if level.size else None
            above = self.levels[at + 1] if at + 1 < len(self.levels) else None
            ended = above.newest().last if above is not None and above.size else -np.inf
            level.end_pair()
            unpaired = level.rows()[:, level.rows()[3] > ended] if newest else np.empty((4, 0))
            carried = _mean(unpaired) if above is not None and unpaired.size else None
        return dropped


def _mean(rows: FloatArray) -> BlockMean:
    weights = rows[2]
    n = float(weights.sum())
    t, y = (rows[:2] @ weights / n).tolist()
    return BlockMean(t, y, n, float(rows[3, -1]))
