"""A cycle of the offset, such as a thermostat's, as it was fitted: what it tells and how surely."""

import math
from dataclasses import dataclass
from typing import Final

from benchwatch.estimate.results import OffsetCycle

SEEN_TO_SHOW: Final = 2.5
"""Periods that must have been seen for a cycle to be shown: fewer may be a single excursion."""
POWER_TO_SHOW: Final = 120.0
"""Fall of chi-square over residual variance to be shown: flicker noise makes weak ones ..."""
MANY: Final = 6.0
"""... and its power goes with the period: more is asked of one seen fewer times than this."""
SMALLEST_SHOWN: Final = 0.05
"""Least swing of those shown, in limits."""
KNOWN: Final = 5.0
"""Standard uncertainties of its swing from which on a decaying one accounts for a departure."""


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
    """Periods that it was found in."""
    power: float
    """Fall of chi-square over the residual variance."""
    since_s: float
    until_s: float
    """Times of the first and the last reading that it was found in."""

    @property
    def sure(self) -> bool:
        """Whether enough periods were seen to call it a cycle and not a single excursion."""
        return self.seen >= SEEN_TO_SHOW

    def shown(self, limit: float) -> OffsetCycle | None:
        """Return what is shown of it; None while it is unsure, decays or is too small.

        Args:
            limit: of the settle verdict, fractional.
        """
        power = POWER_TO_SHOW * max(1.0, MANY / self.seen)
        small = self.swing < SMALLEST_SHOWN * limit or self.power < power
        if small or self.decay_per_s or not self.sure:
            return None
        return OffsetCycle(
            period_s=self.period_s,
            period_u=self.period_u,
            swing=self.swing,
            swing_u=self.swing_u,
        )

    def steepest(self) -> float:
        """Drift where it passes through its middle, fractional per second, as of a sine."""
        return math.pi * self.swing / self.period_s

    def above(self, limit: float) -> tuple[float, float]:
        """Return from when to when a surely decaying swing exceeded `limit`; (inf, -inf): never."""
        known = self.decay_per_s > 0.0 and self.sure and self.swing > KNOWN * self.swing_u
        if not known:
            return math.inf, -math.inf
        # The swing is that at `until_s`, and exceeded the limit until so long before.
        before_s = math.log(limit / self.swing) / self.decay_per_s
        return self.since_s, self.until_s - max(before_s, 0.0)

    def within(self, span_s: float, now_s: float) -> tuple[float, float]:
        """Largest change by it in `span_s` seconds from `now_s` on, and its standard u."""
        share = math.sin(math.pi * min(span_s / self.period_s, 0.5))
        share *= math.exp(-self.decay_per_s * max(now_s - self.until_s, 0.0))
        return share * self.swing, share * self.swing_u
