"""The units of measure, one row each: how a unit is typed, written and offered follows from it."""

from dataclasses import dataclass
from decimal import Decimal
from typing import Final


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetUnit:
    """A unit of fractional offsets."""

    name: str
    """The unit as it is written; it may be typed in any case."""
    size: float
    also: tuple[str, ...] = ()
    """Other ways to type it, in lower case."""
    shown: bool = True
    """False: it may be typed, but no value is shown in it."""

    @property
    def short_name(self) -> str:
        """The name, or the size where the name is of several words: ``1e-12``."""
        return f"{self.size:g}" if " " in self.name else self.name


@dataclass(frozen=True, slots=True, kw_only=True)
class DurationUnit:
    """A unit of time."""

    name: str
    seconds: str
    """Its size in seconds, as a decimal number."""
    also: tuple[str, ...] = ()
    shown: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Prefix:
    """An SI prefix (SI Brochure, 9th edition, table 7), in front of hertz and seconds."""

    name: str
    exponent: int
    also: tuple[str, ...] = ()
    shown: bool = False
    """True: carriers are written with it."""


PPM: Final = OffsetUnit(name="ppm", size=1e-6)
PPB: Final = OffsetUnit(name="ppb", size=1e-9)
PARTS_IN_1E12: Final = OffsetUnit(name="parts in 10^12", size=1e-12)

# Each table from the largest to the smallest.
TYPED_OFFSET_UNITS: Final = (
    OffsetUnit(name="%", size=1e-2, shown=False),
    PPM,
    PPB,
    PARTS_IN_1E12,
)
DURATION_UNITS: Final = (
    DurationUnit(name="y", seconds="31557600", also=("year", "years")),
    DurationUnit(name="week", seconds="604800", also=("weeks",)),
    DurationUnit(name="d", seconds="86400", also=("day", "days"), shown=True),
    DurationUnit(name="h", seconds="3600", also=("hour", "hours"), shown=True),
    DurationUnit(name="min", seconds="60", shown=True),
    DurationUnit(name="s", seconds="1", also=("", "sec", "S"), shown=True),
    DurationUnit(name="ms", seconds="1e-3"),
    DurationUnit(
        name="us",
        seconds="1e-6",
        also=("\N{MICRO SIGN}s", "\N{GREEK SMALL LETTER MU}s"),
    ),
    DurationUnit(name="ns", seconds="1e-9"),
)
PREFIXES: Final = (
    Prefix(name="G", exponent=9, shown=True),
    Prefix(name="M", exponent=6, shown=True),
    Prefix(name="k", exponent=3, also=("K",), shown=True),
    Prefix(name="", exponent=0),
    Prefix(name="m", exponent=-3),
    Prefix(name="u", exponent=-6, also=("\N{MICRO SIGN}", "\N{GREEK SMALL LETTER MU}")),
    Prefix(name="n", exponent=-9),
)

OFFSET_UNITS: Final = tuple(unit for unit in TYPED_OFFSET_UNITS if unit.shown)
"""The units that offsets are shown in."""
OFFSET_SIZES: Final = {
    name: Decimal(repr(unit.size))
    for unit in TYPED_OFFSET_UNITS
    for name in (unit.name.lower(), *unit.also)
}
"""Size by each way to type a unit, in lower case."""
DURATION_SIZES: Final = {
    name: Decimal(unit.seconds) for unit in DURATION_UNITS for name in (unit.name, *unit.also)
}
"""Seconds by each way to type a unit."""
PREFIX_EXPONENTS: Final = {
    name: prefix.exponent for prefix in PREFIXES for name in (prefix.name, *prefix.also)
}
"""Power of ten by each way to type a prefix."""
