"""What is asked of one counter on the bench, and which readings of it are plausible."""

from dataclasses import dataclass, field
from decimal import Decimal
from functools import partial
from typing import Final, Literal

from benchwatch.counter import DEFAULT_DRIVER, Setup, TimeBaseSource
from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.uncertainty.offset_record import Reference
from benchwatch.quantity import (
    DURATION_FORMS,
    FRACTION_FORMS,
    FREQUENCY_FORMS,
    SETTLE_FORMS,
    difference,
    format_frequency,
    round_nominal,
)

Setting = Literal["nominal", "tolerance", "settle", "gate"]
"""What of it the operator may change while the counter is watched."""
SETTING_FORMS: Final[dict[Setting, str]] = {
    "nominal": FREQUENCY_FORMS,
    "tolerance": FRACTION_FORMS,
    "settle": SETTLE_FORMS,
    "gate": DURATION_FORMS,
}
"""How each is written."""

PLAUSIBLE: Final = Decimal("1e-3")
"""Fraction of the nominal by which a reading may miss it. Every source worth trimming is far
inside it, and a reply that lost a digit or half its exponent is far outside."""
DOUBTFUL: Final = 1e-4
"""Part by which readings may miss the nominal before it is questioned; `round_nominal` reaches as
far, and oscillators worth trimming are nearer."""
MARGIN_S: Final = 1.5
"""Added to the gate before a reading is overdue; a tenth of a long gate if that is more."""
OWN: Final = "counter's time base"
"""What a counter's own oscillator is called in a budget."""


@dataclass(frozen=True, slots=True)
class CountedBy:
    """What counted the seconds."""

    source: TimeBaseSource = "unknown"
    reference: Reference = field(default_factory=partial(Reference, name=OWN))
    """As the bench file states it; without a word in it, nothing but a name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One counter to watch, and what is asked of it."""

    name: str
    resource: str
    driver: str = DEFAULT_DRIVER
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


def margin_s(gate_s: float, least_s: float = MARGIN_S) -> float:
    """Return how long after its gate (both in seconds) a reading is overdue."""
    return max(least_s, gate_s / 10.0)


def doubtful_nominal(frequency: Decimal, nominal: Decimal) -> bool:
    """Tell whether `frequency` misses `nominal` while another round number fits it."""
    if (
        not frequency.is_finite()
        or frequency <= 0
        or abs(difference(frequency, nominal)[1]) <= DOUBTFUL
    ):
        return False
    better = round_nominal(frequency)
    return better is not None and better != nominal


def nominal_question(frequency: Decimal, nominal: Decimal) -> str:
    """Write the question whether the nominal is right."""
    better = round_nominal(frequency)
    fits = "" if better is None else f" They fit {format_frequency(better)}:"
    missed = abs(difference(frequency, nominal)[1]) * 100
    return (
        f"the readings miss the nominal of {format_frequency(nominal)} by {missed:.2g} %.{fits} "
        f"is the nominal right?"
    )
