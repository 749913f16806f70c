"""What creeps after a turn of this trimmer, learned from turn to turn."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

SHARE: Final = 0.12
"""sd of the part of a turn that creeps, before any creep was seen (common practice, no source)."""
KEPT: Final = 6
"""Turns whose creep is remembered."""
_HAPPENS = 0.5
"""Probability that a turn creeps, before any was seen."""
_SPREAD_OF_ONE = 0.5
"""sd of the next turn's creep after a single one was seen, as a part of it."""


@dataclass(frozen=True, slots=True)
class LearnedCreep:
    """What creeps after a turn."""

    share: float
    """Part of the whole turn; positive: on the way of the turn."""
    u: float
    tau_s: float
    """Time constant."""


def expected(learned: Sequence[LearnedCreep]) -> tuple[float, float, float]:
    """Return mean and sd of the next amplitude over the turn, and how probable a creep is."""
    if not learned:
        return 0.0, SHARE, _HAPPENS
    shares = [one.share for one in learned]
    n = len(shares)
    mean = math.fsum(shares) / n
    own = math.fsum(one.u**2 for one in learned) / n
    scatter = math.fsum((share - mean) ** 2 for share in shares) / (n - 1) if n > 1 else 0.0
    spread = max(math.sqrt(scatter + own), _SPREAD_OF_ONE / math.sqrt(n) * abs(mean), 0.01)
    crept = sum(abs(one.share) > 3.0 * one.u for one in learned)
    return -mean, spread, (1.0 + crept) / (2.0 + n)
