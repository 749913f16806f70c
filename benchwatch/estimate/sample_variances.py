"""Second and third differences of phase, and their sums for Allan and Hadamard variances.

With means y of neighbouring stretches the Allan variance is E (y₁ − y₀)² / 2, and the Hadamard
variance E (y₂ − 2y₁ + y₀)² / 6, which does not see a constant drift. In phase x, at points m
intervals apart, they are E (x₂ − 2x₁ + x₀)² / 2m² and E (x₃ − 3x₂ + 3x₁ − x₀)² / 6m² (NIST SP 1065,
sections 5.2.2 and 5.2.8). The divisors are the sums of the squared weights of the means, so for
white noise both are the variance of a single mean.

`live_deviations` has its own: differences of whole numbers, computed at each reading.
"""

from typing import Final

import numpy as np

from benchwatch.estimate.array_types import BoolArray, FloatArray

ALLAN_DIVISOR: Final = 2.0
"""Mean squared difference of two neighbouring means over their Allan variance."""
HADAMARD_DIVISOR: Final = 6.0
"""Mean squared second difference of three neighbouring means over their Hadamard variance."""
DIVISORS: Final = {2: ALLAN_DIVISOR, 3: HADAMARD_DIVISOR}
"""Both divisors by the order of the difference of phase."""

_BLOCK_POINTS: Final = 1 << 13
"""Points; small enough for the cache, and for dot products that start no threads."""


def second_difference(first: float, second: float, third: float) -> float:
    """Return the second difference of three neighbouring means, oldest first."""
    return first - 2.0 * second + third


def sum_of_squares(
    phase: FloatArray, m: int, order: int, stride: int, chosen: BoolArray | None
) -> float:
    """Sum the squares of the second or third differences of phase points.

    Args:
        phase: shape (N,), any unit.
        m: intervals from point to point of a difference.
        order: of the difference: 2 or 3.
        stride: take every `stride`-th difference only.
        chosen: which of these are summed, shape (n,); None for all.
    """
    count = len(phase) - order * m
    total = 0.0
    block = max(_BLOCK_POINTS // stride, 1) * stride
    buffer, spare = np.empty(block), np.empty(block)
    for start in range(0, count, block):
        end = min(start + block, count)
        d, t = buffer[: end - start], spare[: end - start]
        if order == 2:
            np.subtract(phase[start + 2 * m : end + 2 * m], phase[start + m : end + m], out=d)
            np.subtract(phase[start + m : end + m], phase[start:end], out=t)
            d -= t
        else:
            np.subtract(phase[start + 3 * m : end + 3 * m], phase[start:end], out=d)
            np.subtract(phase[start + m : end + m], phase[start + 2 * m : end + 2 * m], out=t)
            t *= 3
            d += t
        taken = d[::stride]
        if chosen is not None:
            taken = taken[chosen[start // stride : start // stride + len(taken)]]
        total += float(np.dot(taken, taken))
    return total
