"""How each value of a profile is written, and what is said when it is written otherwise."""

from collections.abc import Callable
from contextlib import suppress
from decimal import Decimal, InvalidOperation
from difflib import get_close_matches
from typing import Any, Final

from benchwatch.errors import QuantityError, ReplyError
from benchwatch.quantity import parse_duration, parse_frequency, parse_reply, printable
from benchwatch_drivers.profile.patterns import Pattern, PatternFault

Read = Callable[[Any], Any]
"""Turns what stands in the file into what the profile holds, or raises `Expected`."""


class Expected(Exception):
    """A value is something else than was expected; the message says what was."""


TERMINATORS: Final = ("\n", "\r", "\r\n")
DECIMAL_MARKS: Final = (".", ",")


def text(value: Any) -> str:
    """One line of plain text."""
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise Expected("expected one line of text in quotes")
    return value


def command(value: Any) -> str:
    """What is sent to the counter."""
    if not isinstance(value, str) or not value or not (value.isascii() and value.isprintable()):
        raise Expected("expected a command in plain ASCII, without a line end, such as 'READ?'")
    return value


def gate_command(value: Any) -> str:
    """A command with the place of the gate in it."""
    if command(value).count("{gate}") != 1:
        raise Expected("expected a command with {gate} where the number goes, once")
    return str(value)


def pattern(value: Any) -> Pattern:
    """A regular expression, matched in full against a line without its terminator."""
    if not isinstance(value, str) or not value:
        raise Expected("expected a regular expression in single quotes, such as '\\d{8}\\.\\d'")
    try:
        return Pattern(value)
    except PatternFault as error:
        raise Expected(
            f"expected a regular expression; this one has a fault: {printable(str(error), 120)}. "
            "Looking ahead or behind, and back-references, are not known"
        ) from error


def one_of(*words: str) -> Read:
    """One of a few words."""

    def read(value: Any) -> str:
        if value not in words:
            shown = ", ".join(repr(word).replace("'", '"') for word in words)
            near = get_close_matches(value, words, n=1) if isinstance(value, str) else []
            hint = f'; did you mean "{near[0]}"' if near and near[0].isprintable() else ""
            raise Expected(f"expected one of {shown}{hint}")
        return str(value)

    return read


def chosen(word: str, other: str) -> Read:
    """Whether `word` was chosen, and not the `other` one."""
    return lambda value: one_of(word, other)(value) == word


def number(value: Any) -> Decimal:
    """A number above zero; written as text it stays exact."""
    read = Decimal(0)
    if isinstance(value, int | float | str) and not isinstance(value, bool):
        with suppress(InvalidOperation):
            read = Decimal(str(value))
    if not (read.is_finite() and read > 0):
        raise Expected("expected a number above zero, such as 1e6")
    return read


def times(value: Any) -> float:
    """A factor of at least one."""
    read = float(number(value))
    if not 1 <= read <= 100:
        raise Expected("expected a number from 1 to 100")
    return read


def duration(value: Any) -> float:
    """A duration with its unit."""
    if not isinstance(value, str):
        raise Expected('expected a duration with its unit in quotes, such as "1 s" or "100 ms"')
    try:
        return parse_duration(value)
    except QuantityError as error:
        raise Expected(f'expected a duration such as "1 s" or "100 ms"; {error}') from error


def exact_duration(value: Any) -> Decimal:
    """A duration that is calculated with exactly."""
    return Decimal(repr(duration(value)))


def unit(base: str) -> Read:
    """A unit of frequency or time; gives it as it is written."""

    def read(value: Any) -> str:
        try:
            parse_reply(f"1 {value}", base)
        except ReplyError:
            known = "Hz, kHz, MHz or GHz" if base == "Hz" else "s, ms, us or ns"
            raise Expected(f"expected the unit of the number: {known}") from None
        return str(value)

    return read


def unit_of_time(value: Any) -> Decimal:
    """The size of a unit of time in seconds."""
    return parse_reply(f"1 {unit('s')(value)}", "s")


def resolution(value: Any) -> Decimal | None:
    """What the resolution is: a quantity, or where it can be seen."""
    if value == "written":
        return None
    if value == "unknown":
        return Decimal(0)
    for parse in (parse_frequency, exact_duration) if isinstance(value, str) else ():
        with suppress(QuantityError, Expected):
            return Decimal(parse(value))
    raise Expected(
        'expected "written" (the last digit), "unknown", or a quantity such as "0.01 Hz" or "1 ns"'
    )


def table(key: Read, value: Read) -> Read:
    """A table with keys of its own."""

    def read(given: Any) -> dict[Any, Any]:
        if not isinstance(given, dict) or not given:
            raise Expected("expected a table with at least one entry")
        return {key(name): value(entry) for name, entry in given.items()}

    return read


def channel(value: Any) -> int:
    """The number of an input."""
    if not (isinstance(value, str) and value.isascii() and value.isdigit() and int(value) > 0):
        raise Expected("expected the number of an input, such as 1")
    return int(value)
