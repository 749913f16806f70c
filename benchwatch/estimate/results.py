"""The frozen records that the live estimate returns, each value with its uncertainty.

Fractions are dimensionless, times are seconds on the run's monotonic clock, and every
``u`` is a standard uncertainty (k = 1), None when it is not yet known.
"""

from dataclasses import dataclass, replace
from typing import Literal

SettleState = Literal["warming", "settled", "unsure"]


@dataclass(frozen=True, slots=True)
class Estimate:
    """The present offset, from the readings since the last nudge or gap."""

    offset: float
    u: float | None
    readings: int
    span_s: float


@dataclass(frozen=True, slots=True)
class Drift:
    """Rate of change of the offset, fractional per second, over the last `span_s`."""

    per_s: float
    u: float | None
    span_s: float


@dataclass(frozen=True, slots=True)
class Nudge:
    """A confirmed step of the offset: one turn of the trimmer, seen from the counter."""

    at_s: float
    """Time of the first reading after the step."""
    size: float
    """Fractional; positive: the frequency went up."""
    u: float | None
    lasted_s: float = 0.0
    """From the first to the last of several turns in quick succession; 0 for a single one."""

    def differs(self, known: "Nudge", by: float) -> bool:
        """Return whether size or u differ from those of `known` by more than `by`, fractional.

        True also where one u or both are unknown.
        """
        if self.u is None or known.u is None:
            return True
        return abs(self.size - known.size) > by or abs(self.u - known.u) > by


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetCycle:
    """A cycle of the offset, as by the thermostat of an oven; each u is standard."""

    period_s: float
    period_u: float
    swing: float
    """From peak to peak, fractional."""
    swing_u: float


@dataclass(frozen=True, slots=True)
class SettleHistory:
    """How the settle verdict has held since it was first given; nudges are no excursions."""

    first_s: float
    """Time at which it was first given."""
    held_s: float = 0.0
    """Total time for which it has held."""
    worst: float = 0.0
    """Largest excursion since, fractional, signed: of means over a twentieth of the horizon, from
    the offset at which it settled or came to rest after a nudge."""
    worst_s: float | None = None
    """Time of that excursion."""
    gaps: int = 0
    """Number of gaps in the readings since."""
    gaps_s: float = 0.0
    """Total length of these gaps."""


@dataclass(frozen=True, slots=True)
class Rest:
    """Forecast of the offset at rest, while it creeps after a turn."""

    offset: float
    u: float
    """Standard uncertainty (k = 1)."""
    in_s: float
    """Time until what is left of the creep is less than half of `u`."""
    readings: int = 0
    """Readings since the turn."""
    span_s: float = 0.0
    """Time that these readings span."""


@dataclass(frozen=True, slots=True)
class Settle:
    """Whether the offset moves by less than the limit over the horizon."""

    state: SettleState
    since_s: float | None
    """Time at which it settled; None unless settled."""
    eta_s: float | None
    """Middle of the time-to-go range; None when unknown or settled."""
    eta_low_s: float | None = None
    eta_high_s: float | None = None
    reason: str = ""
    """One line for people: why this verdict, and what it needs to become sure."""
    cycle: OffsetCycle | None = None
    """None while no cycle stands out."""
    held: SettleHistory | None = None
    """None until a settle verdict was first given."""


@dataclass(frozen=True, slots=True)
class Tolerance:
    """The offset limit asked for, and whether the estimate lies inside it."""

    limit: float
    inside: bool


@dataclass(frozen=True, slots=True)
class SettleLimit:
    """What settled means: the offset moves by less than `limit` over `horizon_s`."""

    limit: float
    horizon_s: float


@dataclass(frozen=True, slots=True)
class Numbers:
    """All results of the live estimate after one reading."""

    estimate: Estimate | None = None
    drift: Drift | None = None
    last_nudge: Nudge | None = None
    """The newest nudge; its size is updated as the offset creeps after it."""
    confirmed_nudge: Nudge | None = None
    """The nudge that this reading confirmed, else None."""
    revised_nudge: Nudge | None = None
    """The nudge before the confirmed one, where its size has changed with it; else None."""
    settle: Settle | None = None
    tolerance: Tolerance | None = None
    noise: float | None = None
    """sd of single readings at the present gate, fractional."""
    suspect: bool = False
    """This reading is far off: a step or a spike, which only the next reading shows. The estimate
    already includes it."""
    spike_at_s: float | None = None
    """Time of the reading before, where this reading shows that it was a spike; it is left out.

    A writer of one line a reading holds a `suspect` line back until the next reading, gap or end,
    and flags it ``spike`` if this is its time; the estimate without the spike is that of the line
    before it.
    """
    rest: Rest | None = None
    """None while the offset does not creep."""

    def without_news(self) -> "Numbers":
        """Return the numbers without nudge and spike, which hold for one reading only."""
        if self.confirmed_nudge is None and self.spike_at_s is None:
            return self
        return replace(self, confirmed_nudge=None, revised_nudge=None, spike_at_s=None)
