"""The plan of one counter: its settings and limits, and which readings are plausible."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import partial
from typing import TYPE_CHECKING, Final, Literal

from benchwatch.counter import DEFAULT_DRIVER, Setup, TimeBaseSource
from benchwatch.errors import UsageError
from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord, Reference
from benchwatch.quantity import (
    DURATION_FORMS,
    FRACTION_FORMS,
    FREQUENCY_FORMS,
    SETTLE_FORMS,
    difference,
    format_frequency,
    printable,
    round_nominal,
)

if TYPE_CHECKING:
    from benchwatch.estimate.dial_check_record import DialCheck

Setting = Literal["nominal", "tolerance", "settle", "gate"]
"""Settings that the operator may change during a watch."""
SETTING_FORMS: Final[dict[Setting, str]] = {
    "nominal": FREQUENCY_FORMS,
    "tolerance": FRACTION_FORMS,
    "settle": SETTLE_FORMS,
    "gate": DURATION_FORMS,
}
"""Accepted forms of each setting, for messages."""

VisitChange = Literal[
    "unit", "new unit", "note", "condition", "record", "switched off", "stayed on",
    "new visit", "close visit",
]  # fmt: skip
"""What the operator may say of the visit during a watch."""
VISIT_FORMS: Final[dict[VisitChange, str]] = {
    "unit": "which unit this is, such as: unit 0417",
    "new unit": "make a unit, such as: new unit 0417",
    "note": "a remark, such as: note lid on",
    "condition": "such as: condition room 21.5 C",
}
"""Accepted forms of those changes that take a text."""
VISIT_ACTIONS: Final[dict[VisitChange, str]] = {
    "record": "Record the offset as a plain measurement",
    "switched off": "It was off before: warm-up begins anew",
    "stayed on": "It stayed on before this run",
    "new visit": "Begin the visit of another unit",
    "close visit": "Close the visit: the unit is handed over",
}
"""What those do that take none."""

PLAUSIBLE_OFFSET: Final = Decimal("1e-3")
"""Largest plausible difference of a reading from the nominal, as a fraction of it. Sources worth
trimming are much nearer, and a reply that lost a digit or half its exponent is much farther off."""
DOUBTFUL_OFFSET: Final = 1e-4
"""Offset (fractional) above which the nominal is questioned; `round_nominal` accepts as much, and
oscillators worth trimming are nearer."""
OVERDUE_MARGIN_S: Final = 1.5
"""Seconds after the gate at which a reading is overdue; a tenth of the gate if that is more."""
OWN_TIME_BASE: Final = "counter's time base"
"""Name of a counter's own oscillator in a budget."""


@dataclass(frozen=True, slots=True)
class CountedBy:
    """The time base that counted a reading."""

    source: TimeBaseSource = "unknown"
    reference: Reference = field(default_factory=partial(Reference, name=OWN_TIME_BASE))
    """Its offset as the bench file states it; only a name where the file states nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedByStation:
    """What the station of a counter elsewhere states of its bench."""

    tolerance: float | None = None
    """Fractional."""
    settle: SettleLimit | None = None
    unit: str | None = None
    """Ident of the unit on the counter; None: not named."""
    as_found: OffsetRecord | None = None
    as_found_automatic: bool = False
    """Whether `as_found` was recorded automatically."""
    as_left: OffsetRecord | None = None
    checks: "tuple[DialCheck, ...]" = ()
    """The finished checks at other dial settings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One counter to watch, with its settings and limits."""

    name: str
    resource: str
    driver: str = DEFAULT_DRIVER
    setup: Setup = field(default_factory=Setup)
    nominal: Decimal | None = None
    """Hertz, exact; None: the round number that the first reading is near (`round_nominal`)."""
    tolerance: float | None = None
    """Fractional."""
    settle: SettleLimit | None = None
    interval_s: float | None = None
    """Time between the beginnings of two readings; None: as fast as the counter gives them."""
    simulated: str | None = None
    """Name of the simulated bench the counter belongs to; None: a real counter."""
    reference: Reference | None = None
    """The external reference as the bench file states it; None: not stated. It corrects only
    readings counted by the external time base."""
    own_time_base: Reference | None = None
    """The counter's own oscillator as the bench file states it; it corrects readings counted by
    the internal time base."""
    on_reference: bool = False
    """Whether the external time base is assumed where neither counter nor recording states one."""
    unit: str | None = None
    """Ident of the unit on the bench; None: not named."""
    working_hz: tuple[float, ...] = ()
    """Frequencies at which the oscillator is used, in hertz; empty: multiples of the nominal."""
    checks: tuple[float, ...] = ()
    """Other dial settings at which the output is checked, in hertz, in their order."""
    station: str | None = None
    """The station elsewhere that reads the counter, and keeps its readings, its visits and its
    records; None: the counter is read here."""


def check_signal_group(names: Sequence[str], nominals: Mapping[str, Decimal | None]) -> None:
    """Refuse names that can't be counters on one signal.

    Args:
        names: names of counters that are said to measure one signal.
        nominals: nominal (hertz) of each counter of the bench by name; None: not known yet.

    Raises:
        UsageError: fewer than two names, one that no counter has or that is given twice, or
            counters with different nominals.
    """
    listed = ", ".join(nominals)
    for name in names:
        if name not in nominals:
            raise UsageError(f"no counter is called '{printable(name)}'. There are: {listed}.")
    if len(set(names)) < len(names):
        raise UsageError("a counter is named twice; each is compared with others.")
    if len(names) < 2:
        only = f"'{printable(names[0])}' alone can't be compared" if names else "none is named"
        raise UsageError(f"{only}: name two counters or more on one signal.")
    known = {name: hertz for name in names if (hertz := nominals[name]) is not None}
    first = next(iter(known), "")
    for name, hertz in known.items():
        if hertz != known[first]:
            raise UsageError(
                f"{first} has a nominal of {format_frequency(known[first])} and {name} one of "
                f"{format_frequency(hertz)}: they can't measure one signal."
            )


def margin_s(gate_s: float, least_s: float = OVERDUE_MARGIN_S) -> float:
    """Return how many seconds after a gate of `gate_s` its reading is overdue."""
    return max(least_s, gate_s / 10.0)


def doubtful_nominal(frequency: Decimal, nominal: Decimal) -> bool:
    """Return whether `frequency` misses `nominal` while another round number fits it."""
    if (
        not frequency.is_finite()
        or frequency <= 0
        or abs(difference(frequency, nominal)[1]) <= DOUBTFUL_OFFSET
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
