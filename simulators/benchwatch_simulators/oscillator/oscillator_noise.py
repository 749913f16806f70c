"""Noise of an oscillator as a function of time and seed, made on demand.

A process is a fractional frequency at equally spaced nodes; callers read its integral, the time
error. A counter-based generator keyed by (seed, stream, block) makes the nodes block by block. So
the integral over any span can be computed directly, and does not depend on earlier calls.

Levels are Allan deviations, as noise laws give them (IEEE 1139-2008 annex; SP 1065):
white FM falls with 1/sqrt(tau), flicker FM is flat, random-walk FM rises with sqrt(tau).
"""

import math
from itertools import accumulate, pairwise

import numpy as np

_BLOCK_NODES = 512
"""Nodes of one block."""
_KEPT_BLOCKS = 4
"""Newest blocks that are kept, as gates reach back only a little."""

_WHITE_SPACING_S = 0.01
_WALK_SPACING_S = 0.5
_PHASE_SPACING_S = 0.001
_SHORTEST_OCTAVE_S = 0.25
_OCTAVES = 20
"""From 0.25 s to 1.5 days: flicker FM is hidden by white FM below, and flat between."""

_Block = tuple[list[float], list[float]]
"""Values at the nodes of a block, and their running integral in units of the spacing."""


def normal_values(seed: int, stream: int, block: int, count: int = _BLOCK_NODES) -> list[float]:
    """Return `count` standard normal values, determined by `seed`, `stream` and `block`."""
    key = np.array([seed & (2**64 - 1), stream], dtype=np.uint64)
    counter = np.array([0, block, 0, 0], dtype=np.uint64)
    generator = np.random.Generator(np.random.Philox(key=key, counter=counter))
    values: list[float] = generator.standard_normal(count).tolist()
    return values


class HeldNoise:
    """Independent frequencies, each held for a time: white FM.

    Args:
        seed: seed of the generator.
        stream: number of this process among those with the same seed.
        sigma: standard deviation of a node, as a fraction.
        spacing_s: seconds from node to node.
    """

    def __init__(self, seed: int, stream: int, sigma: float, spacing_s: float) -> None:
        self._seed = seed
        self._stream = stream
        self._sigma = sigma
        self._spacing = spacing_s
        self._blocks: dict[int, _Block] = {}
        self._shift = self._shift_s()

    def _shift_s(self) -> float:
        """Return the shift of the nodes in time."""
        return 0.0

    def _nodes(self, block: int) -> list[float]:
        """Return the values at the nodes of a block."""
        return normal_values(self._seed, self._stream, block)

    def _areas(self, nodes: list[float]) -> list[float]:
        """Return the integral from the first node to each node."""
        return list(accumulate(nodes, initial=0.0))

    def _within(self, nodes: list[float], cell: int, part: float) -> float:
        """Return the integral over the first `part` (0 to 1) of a cell."""
        return nodes[cell] * part

    def integral(self, start_s: float, end_s: float) -> float:
        """Return the integral of the process over [start_s, end_s], in seconds."""
        width = self._spacing
        first, start = divmod((start_s + self._shift) / width, _BLOCK_NODES)
        last, end = divmod((end_s + self._shift) / width, _BLOCK_NODES)
        total = self._area(int(last), end) - self._area(int(first), start)
        for block in range(int(first), int(last)):
            total += self._area(block, float(_BLOCK_NODES))
        return total * self._sigma * width

    def _area(self, block: int, position: float) -> float:
        """Return the integral from the beginning of a block to `position`, in nodes."""
        nodes, areas = self._block(block)
        cell = int(position)
        if cell >= _BLOCK_NODES:
            return areas[_BLOCK_NODES]
        return areas[cell] + self._within(nodes, cell, position - cell)

    def _block(self, block: int) -> _Block:
        found = self._blocks.get(block)
        if found is None:
            nodes = self._nodes(block)
            found = (nodes, self._areas(nodes))
            while len(self._blocks) >= _KEPT_BLOCKS:
                del self._blocks[next(iter(self._blocks))]
            self._blocks[block] = found
        return found


class RampedNoise(HeldNoise):
    """Independent nodes joined by straight lines: one octave of flicker FM.

    The nodes are shifted by a part of the spacing, so that no two octaves share a node.
    """

    def _shift_s(self) -> float:
        return self._spacing * (math.sin(self._stream * 12.9898) * 43758.5453 % 1.0)

    def _nodes(self, block: int) -> list[float]:
        return [*super()._nodes(block), normal_values(self._seed, self._stream, block + 1, 1)[0]]

    def _areas(self, nodes: list[float]) -> list[float]:
        halves = ((a + b) / 2 for a, b in pairwise(nodes))
        return list(accumulate(halves, initial=0.0))

    def _within(self, nodes: list[float], cell: int, part: float) -> float:
        here = nodes[cell]
        return part * (here + (nodes[cell + 1] - here) * part / 2)


class WalkNoise(RampedNoise):
    """Nodes that are sums of independent steps, joined by straight lines: random-walk FM."""

    def __init__(self, seed: int, stream: int, sigma: float, spacing_s: float) -> None:
        super().__init__(seed, stream, sigma, spacing_s)
        self._starts = [0.0]

    def _shift_s(self) -> float:
        return 0.0

    def _nodes(self, block: int) -> list[float]:
        while len(self._starts) <= block + 1:
            steps = normal_values(self._seed, self._stream, len(self._starts) - 1)
            self._starts.append(self._starts[-1] + math.fsum(steps))
        steps = normal_values(self._seed, self._stream, block)
        return list(accumulate(steps, initial=self._starts[block]))


class FrequencyNoise:
    """White, flicker and random-walk FM together.

    Args:
        seed: seed of the noise; equal seeds make equal noise.
        white: Allan deviation at 1 s of the white FM.
        flicker: Allan deviation of the flicker FM, the same at every averaging time.
        walk: Allan deviation at 1 s of the random-walk FM.
    """

    def __init__(self, seed: int, *, white: float, flicker: float, walk: float) -> None:
        self._parts: list[HeldNoise] = []
        if white > 0:
            # AVAR = h0/(2 tau), the variance of a mean over tau: sigma1^2/spacing at a node.
            sigma = white / math.sqrt(_WHITE_SPACING_S)
            self._parts.append(HeldNoise(seed, 1, sigma, _WHITE_SPACING_S))
        if walk > 0:
            # Steps of variance q a second have AVAR q tau/3, hence q = 3 sigma1^2.
            sigma = walk * math.sqrt(3 * _WALK_SPACING_S)
            self._parts.append(WalkNoise(seed, 2, sigma, _WALK_SPACING_S))
        if flicker > 0:
            # Ramped nodes of spacing L have S(f) = 2 s^2 L sinc^4(fL). Summed over octaves of L,
            # f S(f) is (2 s^2/ln 2) times the integral of sinc^4 from 0, which is 1/3; it must
            # be h-1 = AVAR/(2 ln 2), hence s^2 = 0.75 AVAR.
            sigma = flicker * math.sqrt(0.75)
            self._parts += [
                RampedNoise(seed, 10 + octave, sigma, _SHORTEST_OCTAVE_S * 2.0**octave)
                for octave in range(_OCTAVES)
            ]

    def integral(self, start_s: float, end_s: float) -> float:
        """Return the time error in seconds that accumulates over [start_s, end_s]."""
        return sum(part.integral(start_s, end_s) for part in self._parts)


class PhaseNoise:
    """White PM: an independent time error at every millisecond.

    Args:
        seed: seed of the noise.
        sigma_s: rms time error in seconds.
    """

    _BLOCK_EDGES = 32

    def __init__(self, seed: int, sigma_s: float) -> None:
        self._seed = seed
        self._sigma = sigma_s
        self._blocks: dict[int, list[float]] = {}

    def at(self, time_s: float) -> float:
        """Return the time error at `time_s`, in seconds."""
        if self._sigma == 0:
            return 0.0
        block, position = divmod(int(time_s / _PHASE_SPACING_S), self._BLOCK_EDGES)
        if block not in self._blocks:
            while len(self._blocks) >= _KEPT_BLOCKS:
                del self._blocks[next(iter(self._blocks))]
            self._blocks[block] = normal_values(self._seed, 3, block, self._BLOCK_EDGES)
        return self._sigma * self._blocks[block][position]
