"""What is asked of one counter on the bench."""

import os
from dataclasses import dataclass, field
from decimal import Decimal
from functools import partial
from typing import Final, Literal

from benchwatch.counter import Setup, TimeBaseSource
from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.uncertainty.offset_record import Reference
from benchwatch.journal import new_key
from benchwatch.journal.schema import Run, settings_text

Setting = Literal["nominal", "tolerance", "settle", "gate"]
"""What of it the operator may change while the counter is watched."""

OWN: Final = "counter's time base"
"""What a counter's own oscillator is called in a budget."""


@dataclass(frozen=True, slots=True)
class CountedBy:
    """What counted the seconds."""

    source: TimeBaseSource = "unknown"
    reference: Reference = field(default_factory=partial(Reference, name=OWN))
    """As the bench file states it; without a word in it, nothing but a name."""


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

    def begun(self, utc_s: float, watch: int, goes_on_with: int | None) -> Run:
        """Return what the journal keeps of a run that begins by this plan.

        Args:
            utc_s: when it begins, Unix seconds.
            watch: key shared by the counters of one watch.
            goes_on_with: key of the interrupted run that it goes on with.
        """
        settings = settings_text(
            tolerance=self.tolerance,
            settle=None if self.settle is None else self.settle.limit,
            settle_horizon_s=None if self.settle is None else self.settle.horizon_s,
            set_gate_s=self.setup.gate_s,
            set_channel=self.setup.channel,
            interval_s=self.interval_s,
            simulated_bench=self.simulated,
            process=os.getpid(),
            goes_on_with=goes_on_with,
        )
        return Run(
            new_key(utc_s), watch, self.name, self.resource, self.driver, utc_s, self.nominal,
            settings=settings,
        )  # fmt: skip
