"""Means of ever longer blocks of readings: months of them in a few thousand numbers.

Two blocks of a level make one of the next, so each reading touches two levels on average.
The same levels carry the running Hadamard variances, whose second differences of adjacent
blocks do not see a constant drift (NIST SP 1065, section 5.2.5).
"""

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

KEEP: Final = 64
"""Blocks kept a level at least; the past before them is reached through the next level."""
SQUARES: Final = 40
"""Second differences averaged a level: the noise of now, not of the warm-up."""


class Block(NamedTuple):
    """Mean of `n` consecutive readings; `t` is their mean time, `last` that of the last one."""

    t: float
    y: float
    n: float
    last: float


class _Level:
    """The newest blocks of one length, oldest first, in arrays that are never reallocated."""

    def __init__(self) -> None:
        self._table = np.empty((4, 2 * KEEP))
        self.size = 0
        self.waiting: Block | None = None
        self.run = 0
        """Blocks that adjoin each other, up to the newest ..."""
        self._before = 0.0, 0.0
        """... and the means of the last two."""
        self._squares = [0.0] * SQUARES
        self._squared = 0

    def append(self, block: Block) -> None:
        """Append a block, which need not adjoin the one before; when full, the older half goes."""
        if self.size == 2 * KEEP:
            self._table[:, :KEEP] = self._table[:, KEEP:]
            self.size = KEEP
        self._table[:, self.size] = block
        self.size += 1

    def extend(self, block: Block) -> None:
        """Append a block that adjoins the one before, and take in the second difference."""
        self.append(block)
        self.run += 1
        if self.run >= 3:
            a, b = self._before
            self._squares[self._squared % SQUARES] = (a - 2.0 * b + block.y) ** 2 / 6.0
            self._squared += 1
        self._before = self._before[1], block.y

    def hadamard(self) -> tuple[float, int]:
        """Hadamard variance of neighbouring blocks, and the differences it rests on."""
        count = min(self._squared, SQUARES)
        return (math.fsum(self._squares) / count if count else math.nan), count

    def restart(self) -> None:
        """Forget the blocks, keep the noise."""
        self.size = 0
        self.run = 0
        self.waiting = None

    def rows(self) -> Floats:
        """Four rows: mean times, means, readings, last times."""
        return self._table[:, : self.size]

    def newest(self) -> Block:
        """Return the last block that was appended; there must be one."""
        t, y, n, last = self._table[:, self.size - 1].tolist()
        return Block(t, y, n, last)


class Pyramid:
    """Block means of 1, 2, 4, 8 ... readings.

    Times and values must be near zero (subtract an origin first) or digits are lost.
    """

    def __init__(self) -> None:
        self.levels = [_Level()]

    def restart(self) -> None:
        """Forget all readings; what is known of the noise stays."""
        for level in self.levels:
            level.restart()

    def add(self, t: float, y: float) -> None:
        """Take one reading."""
        self._carry(0, Block(t, y, 1.0, t))

    def _carry(self, at: int, block: Block) -> None:
        """Append at a level and, when a pair is complete, its mean at the next."""
        while True:
            level = self.levels[at]
            level.extend(block)
            first = level.waiting
            if first is None:
                level.waiting = block
                return
            level.waiting = None
            block = _joined(first, block)
            at += 1
            if at == len(self.levels):
                self.levels.append(_Level())

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
        carried: Block | None = None
        for at, level in enumerate(self.levels):
            if carried is not None:
                level.append(carried)
            newest = level.newest() if level.size else None
            above = self.levels[at + 1] if at + 1 < len(self.levels) else None
            ended = above.newest().last if above is not None and above.size else -np.inf
            level.waiting = None
            level.run = 0
            unpaired = level.rows()[:, level.rows()[3] > ended] if newest else np.empty((4, 0))
            carried = _mean(unpaired) if above is not None and unpaired.size else None
        return dropped


def _joined(a: Block, b: Block) -> Block:
    n = a.n + b.n
    return Block((a.n * a.t + b.n * b.t) / n, (a.n * a.y + b.n * b.y) / n, n, b.last)


def _mean(rows: Floats) -> Block:
    weights = rows[2]
    n = float(weights.sum())
    t, y = (rows[:2] @ weights / n).tolist()
    return Block(t, y, n, float(rows[3, -1]))
