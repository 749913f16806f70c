"""Numbers that a counter writes, as exact decimals, and their exact difference from the nominal.

The nominal is subtracted before anything becomes a float: one ulp at 10 MHz is 1.9e-9 Hz.
"""

import re
from decimal import Context, Decimal

from benchwatch.errors import ReplyError
from benchwatch.quantity.formatting import printable
from benchwatch.quantity.number_grammar import EXACT, LONGEST, QUANTITY, shifted
from benchwatch.quantity.units import PREFIX_EXPONENTS


def parse_reply(text: str, unit: str = "Hz") -> Decimal:
    """Read the number a counter wrote, exactly, in `unit`.

    Digits may be grouped by blanks and an exponent may be spaced (``E 06``); an SI prefix counts
    only in front of the unit. A cut number still parses, so a driver matches the whole reply
    against a strict pattern first.

    Raises:
        ReplyError: the text is no such number, has control characters, or is longer than 64.
    """
    if len(text) > LONGEST:
        raise ReplyError(f"a reply of {len(text)} characters is no reading; limit {LONGEST}.")
    if not text.isprintable():
        raise ReplyError(f"'{printable(text)}' holds control characters and is no reading.")
    squeezed = re.sub(r"([eE])\s*([+-]?)\s*(?=[0-9])", r"\1\2", text.strip())
    match = QUANTITY.fullmatch(re.sub(r"^([+-])\s+", r"\1", squeezed))
    if match is None:
        raise ReplyError(f"'{printable(text)}' is no number.")
    number, suffix = Decimal(match[1].replace(" ", "")), match[2].strip()
    if not suffix:
        return number
    prefix, written_unit = suffix[: -len(unit)], suffix[-len(unit) :]
    ambiguous = prefix == "m" and written_unit == unit.lower() != unit
    if written_unit.lower() != unit.lower() or prefix not in PREFIX_EXPONENTS or ambiguous:
        raise ReplyError(f"'{printable(text)}' is no number of {unit}.")
    return shifted(number, PREFIX_EXPONENTS[prefix])


def last_digit(value: Decimal) -> float:
    """Return the weight of the last digit written in `value`, such as 1e-4 for 10000000.0231."""
    exponent = value.as_tuple().exponent
    return 10.0**exponent if isinstance(exponent, int) else 0.0


def difference(frequency: Decimal, nominal: Decimal) -> tuple[float, float]:
    """Return frequency - nominal as (hertz, fraction), each rounded once, at the end."""
    offset = EXACT.subtract(frequency, nominal)
    return float(offset), float(EXACT.divide(offset, nominal))


def round_nominal(frequency: Decimal) -> Decimal | None:
    """Return the round number (three digits or 2^15) within 100 ppm of `frequency`, if any."""
    if frequency <= 0:
        return None
    candidates = [Context(prec=digits).plus(frequency) for digits in (1, 2, 3)]
    for nominal in (*candidates, Decimal(2**15)):
        if abs(difference(frequency, nominal)[1]) <= 1e-4:
            return Decimal(int(nominal)) if nominal == int(nominal) else nominal
    return None
