"""Quantities that a person types, read without guessing.

``10MHz`` is mega, ``10mHz`` is milli, and ``10mhz`` is refused with a question.
"""

import re
from decimal import Decimal
from itertools import pairwise
from typing import Final

from benchwatch.errors import QuantityError
from benchwatch.quantity.formatting import printable
from benchwatch.quantity.number_grammar import EXACT, LONGEST, QUANTITY, shifted
from benchwatch.quantity.units import DURATION_SIZES, OFFSET_SIZES, PREFIX_EXPONENTS

FREQUENCY_FORMS: Final = "10MHz, 10 MHz, 32.768 kHz, 10000000 or 1e7"
FRACTION_FORMS: Final = "5ppb, 0.005 ppm, 5e-9 or 5 parts in 10^9"
DURATION_FORMS: Final = "250ms, 1s, 10min, 2h or 3d"
NO_AGEING: Final = "none"
"""What a person types for the ageing of a disciplined oscillator, which does not age."""
SETTLE_FORMS: Final = "1ppb/10min, 1e-9/600s or 1 ppb in 10 min"

_PARTS_IN: Final = re.compile(r"parts? in 10(?:\^|\*\*)(\d{1,2})", re.IGNORECASE | re.ASCII)
_PIECE: Final = re.compile(r"\d+(?:\.\d+)?\s*[A-Za-z]+", re.ASCII)
_PIECE_UNIT: Final = re.compile(r"[A-Za-z]+", re.ASCII)
_PIECES: Final = re.compile(rf"(?:{_PIECE.pattern}\s*){{2,}}", re.ASCII)
"""A duration in several units, such as ``2 min 10 s``."""
LONGEST_Y: Final = 100
"""Years; more is a typing error, and too long for the waits of a computer."""
SHORTEST_SETTLE_S: Final = 1.0
"""No oven settles within less, and most gates are longer."""
_LARGEST_FRACTION: Final = 0.1


def parse_frequency(text: str) -> Decimal:
    """Read a frequency such as ``10 MHz`` as an exact number of hertz.

    Raises:
        QuantityError: the text is no positive frequency, or its prefix could be read two ways.
    """
    number, unit = _split(text, "frequency", FREQUENCY_FORMS)
    value = shifted(number, _hertz_exponent(text, unit, FREQUENCY_FORMS))
    if value <= 0:
        raise QuantityError(
            f"'{printable(text)}' is no frequency: it must be above zero, such as 10MHz."
        )
    return value


def parse_fraction(text: str, nominal: Decimal | None = None) -> float:
    """Read a fractional quantity such as ``5ppb`` or ``5e-9``.

    With a `nominal` in hertz, ``50 mHz`` is understood too.

    Raises:
        QuantityError: the text is no fraction, or is over 0.1, so that a unit must be missing.
    """
    number, unit = _split(text, "fraction", FRACTION_FORMS)
    lowered = unit.lower()
    parts = _PARTS_IN.fullmatch(unit)
    if not unit or lowered in OFFSET_SIZES:
        value = float(EXACT.multiply(number, OFFSET_SIZES.get(lowered, Decimal(1))))
    elif parts:
        value = float(shifted(number, -int(parts[1])))
    elif lowered.endswith("hz"):
        hertz = shifted(number, _hertz_exponent(text, unit, FRACTION_FORMS))
        if nominal is None:
            raise QuantityError(
                f"'{printable(text)}' is in hertz, and no nominal frequency is known to divide it "
                f"by. Give the nominal, or write a fraction: {FRACTION_FORMS}."
            )
        value = float(EXACT.divide(hertz, nominal))
    else:
        raise _unknown_unit(text, unit, "fraction", FRACTION_FORMS)
    if abs(value) > _LARGEST_FRACTION:
        raise QuantityError(
            f"'{printable(text)}' is {value:g} of the whole frequency; a unit is probably missing. "
            f"Write {FRACTION_FORMS}."
        )
    return value


def parse_duration(text: str) -> float:
    """Read a duration such as ``250ms``, ``10 min`` or ``2 min 10 s`` as seconds.

    A bare number is seconds. Of several units each is smaller than the one before.

    Raises:
        QuantityError: the text is no positive duration up to `LONGEST_Y`; a bare ``m`` is refused.
    """
    if len(text) <= LONGEST and (pieces := _PIECES.fullmatch(text.strip())):
        sizes = [DURATION_SIZES.get(unit, Decimal(0)) for unit in _PIECE_UNIT.findall(pieces[0])]
        if all(a > b > 0 for a, b in pairwise(sizes)):
            return sum(map(parse_duration, _PIECE.findall(pieces[0])))
    number, unit = _split(text, "duration", DURATION_FORMS)
    if unit in {"m", "M"}:
        raise QuantityError(
            f"'{printable(text)}': is m minutes or milliseconds? Write {DURATION_FORMS}."
        )
    factor = DURATION_SIZES.get(unit)
    if factor is None:
        raise _unknown_unit(text, unit, "duration", DURATION_FORMS)
    value = float(EXACT.multiply(number, factor))
    if value <= 0:
        raise QuantityError(
            f"'{printable(text)}' is no duration: it must be above zero, such as 1s."
        )
    if value > LONGEST_Y * float(DURATION_SIZES["y"]):
        raise QuantityError(
            f"'{printable(text)}' is too long: at most {LONGEST_Y} years are taken. "
            f"Write {DURATION_FORMS}."
        )
    return value


def parse_tolerance(text: str, nominal: Decimal | None = None) -> float:
    """Read a limit of the offset, such as ``5ppb`` or, with a nominal, ``50 mHz``, as a fraction.

    Raises:
        QuantityError: the text is no fraction, or not above zero.
    """
    limit = parse_fraction(text, nominal)
    if limit <= 0:
        raise QuantityError(f"the tolerance '{printable(text)}' must be above zero.")
    return limit


def parse_ageing(text: str) -> float:
    """Read the largest ageing either way, such as ``1e-10/1d`` or ``none``, as a fraction a second.

    Raises:
        QuantityError: the text is neither ``none`` nor a fraction over a duration.
    """
    if text.strip().lower() == NO_AGEING:
        return 0.0
    fraction, over_s = parse_settle(text)
    return fraction / over_s


def parse_settle(text: str, nominal: Decimal | None = None) -> tuple[float, float]:
    """Read a settle limit such as ``1ppb/10min`` as (fraction, seconds).

    Raises:
        QuantityError: the text is no fraction over a duration, or the duration is too short.
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
    if horizon_s < SHORTEST_SETTLE_S:
        raise QuantityError(
            f"'{printable(text)}': settled means little over less than {SHORTEST_SETTLE_S:g} s. "
            f"Write {SETTLE_FORMS}."
        )
    return limit, horizon_s


def _split(text: str, what: str, forms: str) -> tuple[Decimal, str]:
    match = QUANTITY.fullmatch(text.strip()) if len(text) <= LONGEST else None
    if match is None or "," in text:
        comma = " Use a point for the decimals and no commas." if "," in text else ""
        raise QuantityError(f"'{printable(text)}' is no {what}.{comma} Write {forms}.")
    number = Decimal(match[1].replace(" ", ""))
    return number, match[2].strip()


def _hertz_exponent(text: str, unit: str, forms: str) -> int:
    if unit == "m" or (unit.startswith("m") and unit.endswith("hz")):
        raise QuantityError(
            f"'{printable(text)}': is that mega or milli? Write MHz or mHz, "
            "with the capitals as shown."
        )
    prefix = unit[:-2] if unit.lower().endswith("hz") else unit
    if prefix not in PREFIX_EXPONENTS:
        raise _unknown_unit(text, unit, "frequency", forms)
    return PREFIX_EXPONENTS[prefix]


def _unknown_unit(text: str, unit: str, what: str, forms: str) -> QuantityError:
    return QuantityError(
        f"'{printable(text)}': '{printable(unit)}' is no unit of a {what}. Write {forms}."
    )
