"""A fitted cycle of the offset, such as a thermostat's, with its uncertainties."""

import math
from dataclasses import dataclass
from typing import Final

from benchwatch.estimate.results import OffsetCycle

PERIODS_TO_SHOW: Final = 2.5
"""Periods that must have been seen for a cycle to be shown: fewer may be a single excursion."""
POWER_TO_SHOW: Final = 120.0
"""Least fall of chi-square over residual variance of a cycle that is shown; flicker noise makes
weaker ones ..."""
MANY_PERIODS: Final = 6.0
"""... whose power grows with the period: with fewer periods than this, more power is needed."""
SMALLEST_SWING_LIMITS: Final = 0.05
"""Least swing of a cycle that is shown, in limits."""
KNOWN_SWING_U: Final = 5.0
"""Least swing, in its standard uncertainties, of a decaying cycle that explains a departure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedCycle:
    """Period in seconds, swing from peak to peak now (fractional), each with its standard u."""

    period_s: float
    period_u: float
    swing: float
    swing_u: float
    decay_per_s: float
    """The swing falls as e^(-decay·t); 0 where no decay is sure."""
    seen: float
    """Number of periods in which it was found."""
    power: float
    """Fall of chi-square over the residual variance."""
    since_s: float
    until_s: float
    """Times of the first and the last block in which it was found, s."""

    @property
    def sure(self) -> bool:
        """Whether enough periods were seen to call it a cycle and not a single excursion."""
        return self.seen >= PERIODS_TO_SHOW

    def shown(self, limit: float) -> OffsetCycle | None:
        """Return the cycle to show; None while it is unsure, decays or is too small.

        Args:
            limit: of the settle verdict, fractional.
        """
        power = POWER_TO_SHOW * max(1.0, MANY_PERIODS / self.seen)
        small = self.swing < SMALLEST_SWING_LIMITS * limit or self.power < power
        if small or self.decay_per_s or not self.sure:
            return None
        return OffsetCycle(
            period_s=self.period_s,
            period_u=self.period_u,
            swing=self.swing,
            swing_u=self.swing_u,
        )

    def steepest(self) -> float:
        """Return the drift of a sine at its middle, π·swing/period, fractional per second."""
        return math.pi * self.swing / self.period_s

    def above(self, limit: float) -> tuple[float, float]:
        """Return the times, s, between which a surely decaying swing exceeded `limit`.

        (inf, -inf): it never did, or does not surely decay.
        """
        known = self.decay_per_s > 0.0 and self.sure and self.swing > KNOWN_SWING_U * self.swing_u
        if not known:
            return math.inf, -math.inf
        # `swing` is the one at `until_s`; it fell to the limit `before_s` earlier.
        before_s = math.log(limit / self.swing) / self.decay_per_s
        return self.since_s, self.until_s - max(before_s, 0.0)

    def within(self, span_s: float, now_s: float) -> tuple[float, float]:
        """Return its largest change in `span_s` seconds from `now_s` on, and the standard u."""
        share = math.sin(math.pi * min(span_s / self.period_s, 0.5))
        share *= math.exp(-self.decay_per_s * max(now_s - self.until_s, 0.0))
        return share * self.swing, share * self.swing_u
