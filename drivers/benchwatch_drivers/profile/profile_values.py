"""Kinds of values that only a profile holds: commands, patterns, units, exact numbers."""

from contextlib import suppress
from decimal import Decimal, InvalidOperation
from typing import Any, Final

from benchwatch.config_tables import DURATION, ValueKind, WrongValue, one_of, text
from benchwatch.errors import QuantityError, ReplyError
from benchwatch.quantity import parse_frequency, parse_reply, printable
from benchwatch_drivers.profile.patterns import Pattern, PatternFault

_TEXT_SCHEMA: Final = {"type": "string", "minLength": 1}


def chosen(word: str, other: str) -> ValueKind:
    """Return the kind: one of two words, read as True for `word` and False for `other`."""
    return one_of(word, other).then(lambda value: value == word)


def unit(base: str) -> ValueKind:
    """Return the kind: a unit of frequency (`base` Hz) or time (s), as it is written."""

    def read(value: Any) -> str:
        known = "Hz, kHz, MHz or GHz" if base == "Hz" else "s, ms, us or ns"
        try:
            if not isinstance(value, str) or not value[:1].isalpha():  # digits would join the 1
                raise WrongValue(f"expected the unit of the number: {known}")
            parse_reply(f"1 {value}", base)
        except ReplyError:
            raise WrongValue(f"expected the unit of the number: {known}") from None
        return value

    return ValueKind(read, _TEXT_SCHEMA)


def channel(name: str) -> int:
    """Read the number of an input, which stands on the left in a table."""
    if not (name.isascii() and name.isdigit() and int(name) > 0):
        raise WrongValue("expected the number of an input, such as 1, before each command")
    return int(name)


def _command(value: Any) -> str:
    if not isinstance(value, str) or not value or not (value.isascii() and value.isprintable()):
        raise WrongValue("expected a command in plain ASCII, without a line end, such as 'READ?'")
    return value


def _gate_command(value: Any) -> str:
    if _command(value).count("{gate}") != 1:
        raise WrongValue("expected a command with {gate} where the number goes, once")
    return str(value)


def _pattern(value: Any) -> Pattern:
    if not isinstance(value, str) or not value:
        raise WrongValue("expected a regular expression in single quotes")
    try:
        return Pattern(value)
    except PatternFault as error:
        raise WrongValue(
            f"expected a regular expression; this one has a fault: {printable(str(error), 120)}. "
            "Looking ahead or behind, and back-references, are not known"
        ) from error


def _number(value: Any) -> Decimal:
    """Read a number above zero; one that is written as text stays exact."""
    read = Decimal(0)
    if isinstance(value, int | float | str) and not isinstance(value, bool):
        with suppress(InvalidOperation):
            read = Decimal(str(value))
    if not (read.is_finite() and read > 0):
        raise WrongValue("expected a number above zero, such as 1e6")
    return read


def _factor(value: Any) -> float:
    factor = float(_number(value))
    if not 1 <= factor <= 100:
        raise WrongValue("expected a number from 1 to 100")
    return factor


def _resolution(value: Any) -> Decimal | None:
    """Read the resolution: None for ``written``, 0 for ``unknown``, else the quantity."""
    if value == "written":
        return None
    if value == "unknown":
        return Decimal(0)
    for parse in (parse_frequency, EXACT_DURATION.read) if isinstance(value, str) else ():
        with suppress(QuantityError):
            return Decimal(parse(value))
    raise WrongValue(
        'expected "written" (the last digit), "unknown", or a quantity such as "0.01 Hz" or "1 ns"'
    )


TEXT: Final = text(longest=None)
COMMAND: Final = ValueKind(_command, _TEXT_SCHEMA)
GATE_COMMAND: Final = ValueKind(_gate_command, _TEXT_SCHEMA)
PATTERN: Final = ValueKind(_pattern, _TEXT_SCHEMA)
"""Matched in full against a line without its terminator."""
_NUMBER_SCHEMA: Final = {"type": ["number", "string"], "minLength": 1}
NUMBER: Final = ValueKind(_number, _NUMBER_SCHEMA)
FACTOR: Final = ValueKind(_factor, _NUMBER_SCHEMA)
EXACT_DURATION: Final = DURATION.then(lambda seconds: Decimal(repr(seconds)))
"""Seconds as an exact decimal."""
UNIT_OF_TIME: Final = unit("s").then(lambda name: parse_reply(f"1 {name}", "s"))
"""Read as its size in seconds."""
RESOLUTION: Final = ValueKind(_resolution, _TEXT_SCHEMA)
