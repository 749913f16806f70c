"""Offsets, carriers and durations as text, rounded as their uncertainty allows."""

import math
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from typing import Final

from benchwatch.quantity.number_grammar import shifted
from benchwatch.quantity.units import DURATION_UNITS, OFFSET_UNITS, PPB, PREFIXES, OffsetUnit

STICK: Final = 20.0
"""A unit is changed only when the value is this many times too large or too small for it."""
NANO_BELOW_HZ: Final = 1e-6
"""Offsets at a derived frequency below this are written in nHz."""
MILLI_BELOW_S: Final = 0.05
"""Gains of a clock below this are written in ms."""
_PLACES: Final = {unit.name: place for place, unit in enumerate(OFFSET_UNITS)}
_SHOWN_DURATIONS: Final = [(unit.name, int(unit.seconds)) for unit in DURATION_UNITS if unit.shown]
STICK_U: Final = 3.0
"""Decimals change only when the uncertainty is this many times too large or too small for them."""


@dataclass(frozen=True, slots=True)
class QuantityText:
    """A value as text, in parts that a front end can lay out."""

    digits: str
    """Always signed: ``+2.28``."""
    u: str
    """Uncertainty with the same decimals: ``0.11``; ``?`` when unknown."""
    unit: str

    def __str__(self) -> str:
        """Write it in one piece, such as ``+2.28 ± 0.11 ppb``."""
        return f"{self.digits} ± {self.u} {self.unit}"

    @property
    def bare(self) -> str:
        """The value and its unit without the uncertainty."""
        return f"{self.digits} {self.unit}"


def offset_unit(fraction: float, current: OffsetUnit | None = None) -> OffsetUnit:
    """Choose the unit for `fraction`; `current` is kept until it is off by a factor of 20.

    ppb serves from 0.05 to 20 000; nan keeps `current`.
    """
    size = abs(fraction)
    if current is not None and (not size < math.inf or _step(size, _PLACES[current.name]) == 0):
        return current
    place = _PLACES[PPB.name]
    while step := _step(size, place):
        place += step
    return OFFSET_UNITS[place]


def steady_decimals(u: float | None, current: int | None = None) -> int | None:
    """Choose the decimals of a live figure from its uncertainty `u`, in the figure's own unit.

    Two digits of `u` are shown at first; `current` decimals are kept until `u` has shrunk
    or grown by three times more than they can show. None while no `u` was ever known.
    """
    if u is None or not 0 < u < math.inf:
        return current
    if current is not None and 10 / STICK_U <= u * 10.0**current <= 100 * STICK_U:
        return current
    return _decimals(u, 2)


def write_fraction(
    fraction: float,
    u: float | None = None,
    unit: OffsetUnit | None = None,
    digits: int = 2,
    decimals: int | None = None,
) -> QuantityText:
    """Write a fractional offset in `unit` (chosen by size when None).

    It is rounded to `digits` significant digits of its uncertainty `u`, or to `decimals`.
    """
    unit = unit or offset_unit(fraction)
    scaled_u = None if u is None else u / unit.size
    value, spread = _rounded(fraction / unit.size, scaled_u, digits, decimals)
    return QuantityText(value, spread, unit.name)


def write_hz(
    offset_hz: float, u_hz: float | None = None, digits: int = 2, decimals: int | None = None
) -> QuantityText:
    """Write an offset in hertz, never with a prefix: milli and mega can't be mistaken."""
    value, spread = _rounded(offset_hz, u_hz, digits, decimals)
    return QuantityText(value, spread, "Hz")


def write_derived_hz(offset_hz: float, u_hz: float | None = None) -> QuantityText:
    """Write an offset at a derived frequency: in Hz, or in nHz where it is below `NANO_BELOW_HZ`.

    Nano stands for no carrier, so it can't be mistaken either.
    """
    if not abs(offset_hz) < NANO_BELOW_HZ:
        return write_hz(offset_hz, u_hz)
    nano = write_hz(offset_hz * 1e9, None if u_hz is None else u_hz * 1e9)
    return QuantityText(nano.digits, nano.u, "nHz")


def write_seconds(value_s: float, u_s: float | None = None) -> QuantityText:
    """Write a signed time in seconds with its uncertainty."""
    text = write_hz(value_s, u_s)
    return QuantityText(text.digits, text.u, "s")


def write_clock_gain(gain_s: float, u_s: float | None = None) -> QuantityText:
    """Write what a clock gains, unsigned: in s, or in ms where it is below `MILLI_BELOW_S`."""
    milli = abs(gain_s) < MILLI_BELOW_S
    scale = 1e3 if milli else 1.0
    text = write_hz(abs(gain_s) * scale, None if u_s is None else u_s * scale)
    return QuantityText(text.digits.lstrip("+"), text.u, "ms" if milli else "s")


def in_unit(fraction: float | None, unit: OffsetUnit, digits: int = 3) -> str:
    """Write a fraction in `unit` without its name, for a column that names it; ``-`` for None."""
    return "-" if fraction is None else f"{fraction / unit.size:.{digits}g}"


def format_frequency(frequency: Decimal | float) -> str:
    """Write a carrier exactly and as short as possible: ``10 MHz``, ``32.768 kHz``."""
    value = Decimal(repr(frequency)) if isinstance(frequency, float) else frequency
    if not value.is_finite():
        return "unknown"
    for prefix in PREFIXES:
        if prefix.shown and abs(value) >= Decimal(10) ** prefix.exponent:
            return f"{_plain(shifted(value, -prefix.exponent))} {prefix.name}Hz"
    return f"{_plain(value)} Hz"


def format_duration(seconds: float) -> str:
    """Write a duration for people in at most two units: ``45 s``, ``12 min``, ``3 h 20 min``."""
    if not math.isfinite(seconds):
        return "unknown"
    if abs(seconds) < 10:
        return f"{seconds:.3g} s"
    whole = round(seconds)
    for (name, size), (smaller, smaller_size) in pairwise(_SHOWN_DURATIONS):
        if whole >= size:
            rest = (whole % size) // smaller_size
            shown = f"{whole // size} {name}"
            return f"{shown} {rest} {smaller}" if rest and whole < 10 * size else shown
    return f"{whole} s"


def how_many(number: int, noun: str) -> str:
    """Write a number with its noun, ``1 gap`` or ``2 gaps``."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def listed(words: Iterable[str]) -> str:
    """Write at least one word as a list: ``a``, ``a and b`` or ``a, b and c``."""
    *most, last = words
    return f"{', '.join(most)} and {last}" if most else last


def _step(size: float, place: int) -> int:
    """Return 0 where the unit at `place` fits, -1 where it is too small, 1 where too large."""
    if place > 0 and size > OFFSET_UNITS[place - 1].size * STICK:
        return -1
    return 1 if 0 < size < OFFSET_UNITS[place].size / STICK and place + 1 < len(_PLACES) else 0


def _rounded(
    value: float, u: float | None, digits: int, decimals: int | None = None
) -> tuple[str, str]:
    """Round `u` to `digits` significant digits and `value` to the same decimals (GUM 7.2.6)."""
    if not math.isfinite(value):
        return "unknown", "?"
    if u is None or not 0 < u < math.inf:
        if decimals is None:
            decimals = _decimals(abs(value), 4) if value else 3
        return f"{value:+.{decimals}f}", "0" if u == 0 else "?"
    if decimals is None:
        decimals = _decimals(u, digits)
    if decimals == 0 and u >= 10**digits:
        u, value = round(u, digits - len(str(int(u)))), round(value, digits - len(str(int(u))))
    return f"{value:+.{decimals}f}", f"{u:.{decimals}f}"


def _decimals(size: float, digits: int) -> int:
    """Return the decimals that show `digits` significant digits of `size` after rounding."""
    exponent = int(f"{size:.{digits - 1}e}".partition("e")[2])
    return min(max(digits - 1 - exponent, 0), 15)


def _plain(value: Decimal) -> str:
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def printable(text: str, limit: int = 80) -> str:
    """Make text from an instrument or a file harmless: no control, format or escape characters."""
    if len(text) <= limit and text.isprintable():
        return text
    shown = "".join("?" if unicodedata.category(c).startswith(("C", "Z")) and c != " " else c
                    for c in text[:limit])  # fmt: skip
    return shown if len(text) <= limit else shown + "..."
