"""Reads a line that a person typed as one reading, exactly, or says in a sentence what is wrong.

A number is typed as the counter shows it: ``10 000 000.09``, ``10'000'000,09``, ``9.99999912 MHz``.
Point and comma may be the decimal mark or group the digits. Where both readings of a line are
possible, the nominal decides; only one of them is near it, as they differ by a factor of 1000.
"""

import re
import unicodedata
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from benchwatch.errors import QuantityError
from benchwatch.plan import PLAUSIBLE_OFFSET
from benchwatch.quantity import (
    format_frequency,
    last_digit,
    parse_frequency,
    printable,
    round_nominal,
)

LONGEST_LINE: Final = 64
"""Characters; no counter shows a longer number."""
FEWEST_DIGITS: Final = 4
"""Two words of so many characters on a line are two numbers; shorter ones are groups of digits."""
EXAMPLE: Final = "10000000.09"
_FULL_WIDTH: Final = {0xFF01 + place: 0x21 + place for place in range(0x5E)}
"""The full-width forms of the printable ASCII characters (Unicode, block FF00)."""
_OTHER_FORMS: Final = _FULL_WIDTH | {
    ord("\N{RIGHT SINGLE QUOTATION MARK}"): "'",
    ord("\N{MODIFIER LETTER APOSTROPHE}"): "'",
    ord("\N{PRIME}"): "'",
    ord("\N{MINUS SIGN}"): "-",
    ord("\N{ZERO WIDTH NO-BREAK SPACE}"): "",  # some programs put it in front of a text
    ord("\t"): " ",
}
_BODY: Final = r"[0-9.,'](?:[0-9.,' ]*[0-9.,'])?"
_LINE: Final = re.compile(
    rf"(?P<sign>[+-]?) *(?P<body>{_BODY})"
    r"(?P<exponent>[eE][+-]?[0-9]{1,3})? *(?P<unit>[A-Za-z\u00b5\u03bc]*)"
)
_INTEGER: Final = r"(?:[0-9]+|[0-9]{1,3}(?:(?P<sep>[ '.,])[0-9]{3})(?:(?P=sep)[0-9]{3})*)"
_FRACTION: Final = r"(?:[0-9]*|[0-9]{3}(?:(?P<fine>[ '])[0-9]{3})*(?:(?P=fine)|[ '])[0-9]{1,3})"
_WHOLE: Final = re.compile(_INTEGER)
_DECIMAL: Final = re.compile(rf"(?P<whole>{_INTEGER})?(?P<mark>[.,])(?P<fraction>{_FRACTION})")
_SEPARATORS: Final = str.maketrans("", "", " '.,")


@dataclass(frozen=True, slots=True)
class TypedNumber:
    """A typed reading, exact."""

    value_hz: Decimal
    resolution_hz: float
    """Weight of the last digit that was typed."""

    @property
    def decimals(self) -> int:
        """Digits behind the decimal mark of the value in hertz; negative: tens of hertz or more."""
        exponent = self.value_hz.as_tuple().exponent
        assert isinstance(exponent, int), "a typed number is finite"
        return -exponent


def read_typed_line(line: str, nominal: Decimal | None, *, guessed: bool = False) -> TypedNumber:
    """Read a typed line as a frequency near the nominal.

    Args:
        line: as it was typed, with or without its end.
        nominal: in hertz; None: the reading must be near a round number (`round_nominal`).
        guessed: whether that is the round number near the first reading, which may be wrong.

    Raises:
        QuantityError: the line is no such number; the sentence says what is wrong with it.
    """
    text = _plain(line)
    shown = printable(text)
    possible = _frequencies(text, shown)
    if nominal is None:
        near = [value for value in possible if round_nominal(value) is not None]
        far = (
            "near no round number. Type it again, or say the nominal first, such as nominal 10MHz."
        )
    else:
        lowest, highest = nominal * (1 - PLAUSIBLE_OFFSET), nominal * (1 + PLAUSIBLE_OFFSET)
        near = [value for value in possible if lowest <= value <= highest]
        far = (
            f"nowhere near the nominal of {format_frequency(nominal)}"
            f"{' that the first reading gave' if guessed else ''}: is a digit missing, or one too "
            f"many? Type it again{', or set the nominal' if guessed else ''}."
        )
    if len(near) > 1:
        raise QuantityError(
            f"'{shown}' may be {_either(near)}. Type it again in hertz and ungrouped."
        )
    if not near:
        raise QuantityError(f"'{shown}' is {_either(possible)}, {far}")
    return TypedNumber(near[0], last_digit(near[0]))


def _either(frequencies: list[Decimal]) -> str:
    """Write one frequency, or several that a line may mean."""
    return " or ".join(printable(format_frequency(value), 40) for value in frequencies)


def _plain(line: str) -> str:
    """Return the line with ASCII digits, blanks, marks and signs in place of their other forms.

    Raises:
        QuantityError: it is empty, too long, or holds characters that no number has.
    """
    text = line.rstrip("\r\n").translate(_OTHER_FORMS)
    text = "".join(" " if unicodedata.category(c) == "Zs" else c for c in text).strip()
    if not text:
        raise QuantityError(f"nothing was typed. Type what the counter shows, such as {EXAMPLE}.")
    if len(text) > LONGEST_LINE:
        raise QuantityError(
            f"a line of more than {LONGEST_LINE} characters is no reading. Type what the counter "
            f"shows, such as {EXAMPLE}."
        )
    return text


def _frequencies(text: str, shown: str) -> list[Decimal]:
    """Return the frequencies, in hertz, that a line may mean: at least one.

    Raises:
        QuantityError: it means none.
    """
    match = _LINE.fullmatch(text)
    if match is None:
        raise QuantityError(_what_is_wrong(text, shown))
    if match["sign"] == "-":
        raise QuantityError(f"'{shown}' is below zero, and a frequency is not. Type it again.")
    numbers = _numbers(match["body"])
    if not numbers:
        raise QuantityError(_what_is_wrong(text, shown))
    tail = f"{match['exponent'] or ''} {match['unit']}"
    return [parse_frequency(f"{number}{tail}") for number in numbers]


def _numbers(body: str) -> list[str]:
    """Return the numbers that digits with their marks may mean, written with a point."""
    found = []
    decimal = _DECIMAL.fullmatch(body)
    if decimal is not None and decimal["sep"] != decimal["mark"]:
        whole = (decimal["whole"] or "").translate(_SEPARATORS)
        fraction = decimal["fraction"].translate(_SEPARATORS)
        if whole or fraction:
            found.append(f"{whole or '0'}.{fraction}" if fraction else whole)
    if _WHOLE.fullmatch(body):
        found.append(body.translate(_SEPARATORS))
    return found


def _what_is_wrong(text: str, shown: str) -> str:
    """Write why a line is no number."""
    again = f"Type what the counter shows, such as {EXAMPLE}."
    numbers = [
        word for word in text.split() if len(word) >= FEWEST_DIGITS and _LINE.fullmatch(word)
    ]
    if len(numbers) > 1:
        return f"'{shown}' looks like several numbers: one a line is taken. {again}"
    if not any(c in "0123456789" for c in text):
        return f"'{shown}' is no number. {again}"
    if all(c in "0123456789+-.,' " for c in text):
        return (
            f"'{shown}' is no number: digits are grouped by threes, with one decimal mark. {again}"
        )
    return f"'{shown}' holds what no reading has: only digits, their marks and a unit. {again}"
