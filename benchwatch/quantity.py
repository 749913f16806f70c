"""Quantities: the one place where text becomes a number and a number becomes text.

What a person types is read without guessing: ``10MHz`` is mega, ``10mHz`` is milli, and
``10mhz`` is refused with a question. What a counter writes is read as an exact decimal,
and the nominal is subtracted from it exactly, before anything becomes a float: one ulp at
10 MHz is already 1.9e-9 Hz.

Sign: an offset is (frequency - nominal) / nominal; positive runs fast and reads high.
"""

import math
import re
import unicodedata
from dataclasses import dataclass
from decimal import Context, Decimal
from typing import Final

from benchwatch.errors import QuantityError, ReplyError

FREQUENCY_FORMS: Final = "10MHz, 10 MHz, 32.768 kHz, 10000000 or 1e7"
FRACTION_FORMS: Final = "5ppb, 0.005 ppm, 5e-9 or 5 parts in 10^9"
DURATION_FORMS: Final = "250ms, 1s, 10min, 2h or 3d"
SETTLE_FORMS: Final = "1ppb/10min, 1e-9/600s or 1 ppb in 10 min"

LONGEST_REPLY: Final = 64
"""Characters; no counter writes a longer number."""

_EXACT = Context(prec=100)
_NUMBER: Final = r"[+-]?(?:\d{1,3}(?: \d{3})+|\d+)(?:\.(?:\d{3}(?: \d{3})* \d{1,3}|\d+)?|)(?:[eE][+-]?\d{1,3})?|[+-]?\.\d+(?:[eE][+-]?\d{1,3})?"  # noqa: E501 - one grammar reads best on one line
_QUANTITY: Final = re.compile(rf"({_NUMBER})\s*(.*)", re.ASCII)
_PREFIXES: Final = {
    "": 0, "n": -9, "u": -6, "\N{MICRO SIGN}": -6, "\N{GREEK SMALL LETTER MU}": -6,
    "m": -3, "k": 3, "K": 3, "M": 6, "G": 9,
}  # fmt: skip
_FRACTION_UNITS: Final = {"": 0, "ppm": -6, "ppb": -9, "%": -2}
_PARTS_IN: Final = re.compile(r"parts? in 10(?:\^|\*\*)(\d{1,2})", re.IGNORECASE | re.ASCII)
_DURATION_UNITS: Final = {
    "": "1", "s": "1", "sec": "1", "ns": "1e-9", "us": "1e-6", "\N{MICRO SIGN}s": "1e-6",
    "\N{GREEK SMALL LETTER MU}s": "1e-6", "ms": "1e-3", "min": "60", "h": "3600",
    "hour": "3600", "hours": "3600", "d": "86400", "day": "86400", "days": "86400",
    "week": "604800", "weeks": "604800", "y": "31557600", "year": "31557600",
    "years": "31557600",
}  # fmt: skip
_LARGEST_FRACTION: Final = 0.1


# ------------------------------------------------------------- what a person types


def parse_frequency(text: str) -> Decimal:
    """Read a frequency such as ``10 MHz`` as an exact number of hertz.

    Raises:
        QuantityError: the text is no positive frequency, or its prefix could be read two ways.
    """
    number, unit = _split(text, "frequency", FREQUENCY_FORMS)
    value = _shift(number, _hertz_exponent(text, unit, FREQUENCY_FORMS))
    if value <= 0:
        raise QuantityError(
            f"'{printable(text)}' is no frequency: it must be above zero, such as 10MHz."
        )
    return value


def parse_fraction(text: str, nominal: Decimal | None = None) -> float:
    """Read a fractional quantity such as ``5ppb`` or ``5e-9``.

    With a `nominal` in hertz, ``50 mHz`` is understood too.

    Raises:
        QuantityError: no such quantity, or one so large (over 0.1) that a unit is missing.
    """
    number, unit = _split(text, "fraction", FRACTION_FORMS)
    lowered = unit.lower()
    parts = _PARTS_IN.fullmatch(unit)
    if lowered in _FRACTION_UNITS:
        value = float(_shift(number, _FRACTION_UNITS[lowered]))
    elif parts:
        value = float(_shift(number, -int(parts[1])))
    elif lowered.endswith("hz"):
        hertz = _shift(number, _hertz_exponent(text, unit, FRACTION_FORMS))
        if nominal is None:
            raise QuantityError(
                f"'{printable(text)}' is in hertz, and no nominal frequency is known to divide it "
                f"by. Give the nominal, or write a fraction: {FRACTION_FORMS}."
            )
        value = float(_EXACT.divide(hertz, nominal))
    else:
        raise _unknown_unit(text, unit, "fraction", FRACTION_FORMS)
    if abs(value) > _LARGEST_FRACTION:
        raise QuantityError(
            f"'{printable(text)}' is {value:g} of the whole frequency; a unit is probably missing. "
            f"Write {FRACTION_FORMS}."
        )
    return value


def parse_duration(text: str) -> float:
    """Read a duration such as ``250ms`` or ``10 min`` as seconds; a bare number is seconds.

    Raises:
        QuantityError: the text is no positive duration; a bare ``m`` is refused.
    """
    number, unit = _split(text, "duration", DURATION_FORMS)
    if unit in {"m", "M"}:
        raise QuantityError(
            f"'{printable(text)}': is m minutes or milliseconds? Write {DURATION_FORMS}."
        )
    factor = _DURATION_UNITS.get(unit if unit != "S" else "s")
    if factor is None:
        raise _unknown_unit(text, unit, "duration", DURATION_FORMS)
    value = float(_EXACT.multiply(number, Decimal(factor)))
    if not 0 < value < math.inf:
        raise QuantityError(
            f"'{printable(text)}' is no duration: it must be above zero, such as 1s."
        )
    return value


def parse_settle(text: str, nominal: Decimal | None = None) -> tuple[float, float]:
    """Read what settled means, such as ``1ppb/10min``, as (fraction, seconds).

    Raises:
        QuantityError: it is not a fraction, a slash and a duration.
    """
    limit_text, slash, horizon_text = re.sub(r"\s(?:in|per)\s(?!10(?:\^|\*))", "/", text).partition(
        "/"
    )
    if not slash:
        raise QuantityError(
            f"'{printable(text)}' does not say over which time. Write {SETTLE_FORMS}."
        )
    horizon_text = horizon_text.strip()
    if horizon_text and not horizon_text[0].isdigit():
        horizon_text = "1 " + horizon_text
    limit, horizon_s = parse_fraction(limit_text, nominal), parse_duration(horizon_text)
    if limit <= 0:
        raise QuantityError(f"'{printable(text)}': the limit must be above zero: {SETTLE_FORMS}.")
    return limit, horizon_s


# ------------------------------------------------------------- what a counter writes


def parse_reply(text: str, unit: str = "Hz") -> Decimal:
    """Read the number a counter wrote, exactly, in `unit`.

    Digits may be grouped by blanks and an exponent may be spaced (``E 06``); an SI prefix
    counts only in front of the unit. This is tolerance, not safety: a cut number still
    parses, so a driver matches the whole reply against a strict pattern first.

    Raises:
        ReplyError: anything else, control bytes, or more than 64 characters.
    """
    if len(text) > LONGEST_REPLY:
        raise ReplyError(f"a reply of {len(text)} characters is no reading; limit {LONGEST_REPLY}.")
    if not text.isprintable():
        raise ReplyError(f"'{printable(text)}' holds control characters and is no reading.")
    squeezed = re.sub(r"([eE])\s*([+-]?)\s*(?=[0-9])", r"\1\2", text.strip())
    match = _QUANTITY.fullmatch(re.sub(r"^([+-])\s+", r"\1", squeezed))
    if match is None:
        raise ReplyError(f"'{printable(text)}' is no number.")
    number, suffix = Decimal(match[1].replace(" ", "")), match[2].strip()
    if not suffix:
        return number
    prefix, written_unit = suffix[: -len(unit)], suffix[-len(unit) :]
    ambiguous = prefix == "m" and written_unit == unit.lower() != unit
    if written_unit.lower() != unit.lower() or prefix not in _PREFIXES or ambiguous:
        raise ReplyError(f"'{printable(text)}' is no number of {unit}.")
    return _shift(number, _PREFIXES[prefix])


def last_digit(value: Decimal) -> float:
    """Return the weight of the last digit written in `value`, such as 1e-4 for 10000000.0231."""
    exponent = value.as_tuple().exponent
    return 10.0**exponent if isinstance(exponent, int) else 0.0


def difference(frequency: Decimal, nominal: Decimal) -> tuple[float, float]:
    """Return frequency - nominal as (hertz, fraction), each rounded once, at the end."""
    offset = _EXACT.subtract(frequency, nominal)
    return float(offset), float(_EXACT.divide(offset, nominal))


def round_nominal(frequency: Decimal) -> Decimal | None:
    """Return the round number (three digits or 2^15) within 100 ppm of `frequency`, if any."""
    if frequency <= 0:
        return None
    candidates = [Context(prec=digits).plus(frequency) for digits in (1, 2, 3)]
    for nominal in (*candidates, Decimal(2**15)):
        if abs(difference(frequency, nominal)[1]) <= 1e-4:
            return Decimal(int(nominal)) if nominal == int(nominal) else nominal
    return None


# ------------------------------------------------------------- what a person reads


@dataclass(frozen=True, slots=True)
class OffsetUnit:
    """A unit in which a fraction is shown."""

    name: str
    size: float


PPM: Final = OffsetUnit("ppm", 1e-6)
PPB: Final = OffsetUnit("ppb", 1e-9)
PARTS_IN_1E12: Final = OffsetUnit("parts in 10^12", 1e-12)
OFFSET_UNITS: Final = (PPM, PPB, PARTS_IN_1E12)

STICK: Final = 20.0
"""A unit is left only when the value is this many times too large or too small for it."""
STICK_U: Final = 3.0
"""Decimals are left only when an uncertainty is this many times too large or too small for them."""


@dataclass(frozen=True, slots=True)
class QuantityText:
    """A value in characters, in pieces that a front end can lay out."""

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

    ppb serves from 0.05 to 20 000; nan keeps what there is.
    """
    size = abs(fraction)
    if current is not None and (not size < math.inf or _fits(size, current)):
        return current
    if size > 1000 * PPB.size * STICK:
        return PPM
    return PPB if size >= PPB.size / STICK or not size > 0 else PARTS_IN_1E12


def steady_decimals(u: float | None, current: int | None = None) -> int | None:
    """Choose the decimals of a live figure from its `u`, in the figure's own unit.

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

    It is rounded as its `u` asks, with `digits` of that, or to `decimals` when they are given.
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


def format_frequency(frequency: Decimal | float) -> str:
    """Write a carrier exactly and as short as it goes: ``10 MHz``, ``32.768 kHz``."""
    value = Decimal(repr(frequency)) if isinstance(frequency, float) else frequency
    if not value.is_finite():
        return "unknown"
    for prefix, exponent in (("G", 9), ("M", 6), ("k", 3)):
        if abs(value) >= Decimal(10) ** exponent:
            return f"{_plain(_shift(value, -exponent))} {prefix}Hz"
    return f"{_plain(value)} Hz"


def format_duration(seconds: float) -> str:
    """Write a duration for people in at most two units: ``45 s``, ``12 min``, ``3 h 20 min``."""
    if not math.isfinite(seconds):
        return "unknown"
    if abs(seconds) < 10:
        return f"{seconds:.3g} s"
    whole = round(seconds)
    for name, size, smaller, smaller_size in (
        ("d", 86400, "h", 3600),
        ("h", 3600, "min", 60),
        ("min", 60, "s", 1),
    ):
        if whole >= size:
            rest = (whole % size) // smaller_size
            shown = f"{whole // size} {name}"
            return f"{shown} {rest} {smaller}" if rest and whole < 10 * size else shown
    return f"{whole} s"


def printable(text: str, limit: int = 80) -> str:
    """Make text from an instrument or a file harmless: no control, format or escape characters."""
    shown = "".join("?" if unicodedata.category(c).startswith(("C", "Z")) and c != " " else c
                    for c in text[:limit])  # fmt: skip
    return shown if len(text) <= limit else shown + "..."


# ------------------------------------------------------------- inside


def _split(text: str, what: str, forms: str) -> tuple[Decimal, str]:
    match = _QUANTITY.fullmatch(text.strip()) if len(text) <= LONGEST_REPLY else None
    if match is None or "," in text:
        comma = " Use a point for the decimals and no commas." if "," in text else ""
        raise QuantityError(f"'{printable(text)}' is no {what}.{comma} Write {forms}.")
    number = Decimal(match[1].replace(" ", ""))
    return number, match[2].strip()


def _shift(value: Decimal, exponent: int) -> Decimal:
    return value.scaleb(exponent, _EXACT)


def _hertz_exponent(text: str, unit: str, forms: str) -> int:
    if unit == "m" or (unit.startswith("m") and unit.endswith("hz")):
        raise QuantityError(
            f"'{printable(text)}': is that mega or milli? Write MHz or mHz, "
            "with the capitals as shown."
        )
    prefix = unit[:-2] if unit.lower().endswith("hz") else unit
    if prefix not in _PREFIXES:
        raise _unknown_unit(text, unit, "frequency", forms)
    return _PREFIXES[prefix]


def _unknown_unit(text: str, unit: str, what: str, forms: str) -> QuantityError:
    return QuantityError(
        f"'{printable(text)}': '{printable(unit)}' is no unit of a {what}. Write {forms}."
    )


def _fits(size: float, unit: OffsetUnit) -> bool:
    scaled = size / unit.size
    too_small = scaled < 1 / STICK and unit is not PARTS_IN_1E12 and size > 0
    too_large = scaled > 1000 * STICK and unit is not PPM
    return not (too_small or too_large)


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
    """Decimals that show `digits` significant digits of `size` after rounding."""
    exponent = int(f"{size:.{digits - 1}e}".partition("e")[2])
    return min(max(digits - 1 - exponent, 0), 15)


def _plain(value: Decimal) -> str:
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
