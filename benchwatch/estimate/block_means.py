"""Means of ever longer blocks of readings: months of them in a few thousand numbers.

Two neighbouring blocks of a level make one of the next, so each reading touches two levels on
average. Drift and settle verdict rest on `OctaveMeans`; the level's low-frequency noise has levels
of its own (`level.low_frequency_noise`), which take part in the same cascade.

Two others are no block means. The charts (`pipeline.history`) join eight entries at a time into
their lowest and highest, and end them at gaps, for a lone spike must stay visible. The live
deviations (`stability.live_deviations`) need single points of phase, further and further apart.
"""

import math
from collections.abc import Sequence
from typing import Final, Generic, NamedTuple, TypeVar

import numpy as np

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.variances import HADAMARD, second_difference

KEEP: Final = 64
"""Blocks kept a level at least; the past before them is reached through the next level."""
SQUARES: Final = 40
"""Second differences averaged a level: the noise of now, not of the warm-up."""

Mean = TypeVar("Mean", float, "BlockMean")


class CascadeLevel(Generic[Mean]):
    """Blocks of one length, two neighbouring ones of which make one of the next length."""

    __slots__ = ("_unpaired",)

    def __init__(self) -> None:
        self._unpaired: Mean | None = None
        """A block that waits for its neighbour."""

    def take(self, block: Mean) -> Mean | None:
        """Take the next block; return what it makes with the one before, if that is unpaired."""
        self.append(block)
        first = self._unpaired
        if first is None:
            self._unpaired = block
            return None
        self._unpaired = None
        return self.joined(first, block)

    def end_pair(self) -> None:
        """Let the next block be the first of a pair: it does not adjoin the one before."""
        self._unpaired = None

    def append(self, block: Mean) -> None:
        """Keep a block that adjoins the one before, and what is worked out of both."""
        raise NotImplementedError

    @staticmethod
    def joined(first: Mean, second: Mean) -> Mean:
        """Return the mean of two neighbouring blocks."""
        raise NotImplementedError


def hand_up(levels: Sequence[CascadeLevel[Mean]], block: Mean) -> tuple[int, Mean | None]:
    """Give the first level a block, and each further one the block that has become complete.

    Returns:
        How many levels have a new block, and the one that has become complete above the last.
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
    """Mean of `n` consecutive readings; `t` is their mean time, `last` that of the last one."""

    t: float
    y: float
    n: float
    last: float


class BlockLevel(CascadeLevel[BlockMean]):
    """The newest blocks of one length, oldest first, in arrays that are never reallocated."""

    def __init__(self) -> None:
        super().__init__()
        self._table = np.empty((4, 2 * KEEP))
        self.size = 0
        self._adjoining = 0
        """Blocks that adjoin each other, up to the newest ..."""
        self._before = 0.0, 0.0
        """... and the means of the last two."""
        self._squares = [0.0] * SQUARES
        self._squared = 0

    def append(self, block: BlockMean) -> None:
        """Keep a block that adjoins the one before, and the second difference it makes."""
        first, second = self._before
        third = block[1]
        self._before = second, third
        self._adjoining += 1
        if self._adjoining >= 3:
            difference = second_difference(first, second, third)
            self._squares[self._squared % SQUARES] = difference * difference / HADAMARD
            self._squared += 1
        if self.size == 2 * KEEP:
            # The older half goes.
            self._table[:, :KEEP] = self._table[:, KEEP:]
            self.size = KEEP
        self._table[:, self.size] = block
        self.size += 1

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
        """Hadamard variance of neighbouring blocks, and the differences it rests on."""
        count = min(self._squared, SQUARES)
        return (math.fsum(self._squares) / count if count else math.nan), count

    def end_pair(self) -> None:
        """Let the next block adjoin none before it."""
        super().end_pair()
        self._adjoining = 0

    def restart(self) -> None:
        """Forget the blocks, keep the noise."""
        self.size = 0
        self.end_pair()

    def rows(self) -> FloatArray:
        """Four rows: mean times, means, readings, last times."""
        return self._table[:, : self.size]

    def newest(self) -> BlockMean:
        """Return the last block that was kept; there must be one."""
        t, y, n, last = self._table[:, self.size - 1].tolist()
        return BlockMean(t, y, n, last)


class OctaveMeans:
    """Means of blocks of 1, 2, 4, 8 ... readings.

    Times and values must be near zero (subtract an origin first) or digits are lost.
    """

    def __init__(self) -> None:
        self.levels = [BlockLevel()]

    def restart(self) -> None:
        """Forget all readings; what is known of the noise stays."""
        for level in self.levels:
            level.restart()

    def add(self, t: float, y: float) -> None:
        """Take one reading."""
        _, above = hand_up(self.levels, BlockMean(t, y, 1.0, t))
        if above is not None:
            level = BlockLevel()
            level.take(above)
            self.levels.append(level)

    def cut(self, start: float) -> list[tuple[float, float]]:
        """End all blocks before `start`, so that none lies on both sides of it.

        Returns:
            The readings from `start` on that are still held one by one; they are taken
            out, and are to be added again.
        """
        rows = self.levels[0].rows()
        late = rows[0] >= start
        dropped = list(zip(rows[0, late].tolist(), rows[1, late].tolist(), strict=True))
        for level in self.levels:
            while level.size and level.newest().last >= start:
                level.size -= 1
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
