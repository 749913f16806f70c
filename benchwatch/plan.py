"""What is asked of one counter on the bench."""

from dataclasses import dataclass, field
from decimal import Decimal

from benchwatch.counter import Setup
from benchwatch.estimate.offset_record import Reference
from benchwatch.estimate.results import SettleLimit


@dataclass(frozen=True, slots=True)
class Plan:
    """One counter to watch, and what is asked of it."""

    name: str
    resource: str
    driver: str = "scpi"
    setup: Setup = field(default_factory=Setup)
    nominal: Decimal | None = None
    """Hertz, exact; None: the round number that the first reading is near."""
    tolerance: float | None = None
    """Fractional."""
    settle: SettleLimit | None = None
    interval_s: float | None = None
    """Time between the beginnings of two readings; None: as fast as they come."""
    simulated: str | None = None
    """Name of the simulated bench it stands on; None: it is real."""
    reference: Reference | None = None
    """What counts the seconds while the counter is on its external time base, as the bench file
    states it; None: not stated. It says nothing about the counter's own oscillator."""
    own_time_base: Reference | None = None
    """The counter's own oscillator, likewise, for readings that are counted by it."""
    on_reference: bool = False
    """Taken as counting by the reference where nothing tells; a recording may not."""
    working_hz: tuple[float, ...] = ()
    """Frequencies the oscillator serves, in hertz; empty: round multiples of the nominal."""
