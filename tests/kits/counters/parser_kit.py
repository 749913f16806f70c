"""The parsers of replies, each tried with made lines: it must return the right value or refuse.

There is one for SCPI, used when no driver is named, and one for each bundled profile.
"""

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

from made_lines import (
    STRICT,
    Write,
    bare,
    display,
    exponent_last,
    interval,
    literal_value,
    made_lines,
    scpi,
    terse,
)

from benchwatch.errors import ReplyError
from benchwatch_drivers.bundled_profiles import bundled, load
from benchwatch_drivers.profile.profile_line import LineReader
from benchwatch_drivers.scpi.scpi_number import read_frequency

WRITERS: dict[str, Write] = {
    "terse": terse,
    "terse-addressed": terse,
    "talk-only": exponent_last,
    "talk-only-display": display,
    "bare-exponent": exponent_last,
    "scpi-gate-time": exponent_last,
    "scpi-arm-timer": exponent_last,
    "interval": interval,
    "interval-talk-only": interval,
    "lines": bare,
}
"""The writer of lines for each profile's counter."""
PLAUSIBLE_HZ = 10_000
"""A part in 1000 of the 10 MHz of the made lines: acquisition refuses values farther off."""

PROFILES = {path.stem: load(path).profile for path in bundled()}


def value_in_line(reader: LineReader, text: str) -> Fraction | None:
    """Return the value that a reader reads from a line; None if it refuses or ignores the line."""
    try:
        line = reader.read(text)
    except ReplyError:
        return None
    return None if line is None or line.value is None else Fraction(line.value)


def value_in_reply(text: str) -> Fraction | None:
    """Return the value that the SCPI driver reads from a reply; None if it refuses the reply."""
    try:
        return Fraction(read_frequency(text))
    except ReplyError:
        return None


@dataclass(frozen=True, slots=True)
class Parser:
    """One parser, and the writer of lines of its counters."""

    read: Callable[[str], Fraction | None]
    write: Write
    by_terminator: bool
    """The number of digits varies, so only the terminator shows that a number is whole."""


def parser_of(name: str) -> Parser:
    """Return the parser of a profile."""
    reader = LineReader(PROFILES[name])
    return Parser(
        lambda text: value_in_line(reader, text), WRITERS[name], PROFILES[name].line.by_terminator
    )


PARSERS = {name: parser_of(name) for name in PROFILES if name in WRITERS}
PARSERS["SCPI"] = Parser(value_in_reply, scpi, by_terminator=True)


def wrong_lines(parser: Parser, count: int, seed: int) -> list[str]:
    """Parse made lines; return a message for each that was read wrongly, with its damage."""
    wrong = []
    for made in made_lines(parser.write, count, seed):
        value = parser.read(made.text)
        if value == made.truth or (value is None and made.damage != "whole"):
            continue
        literal = value is not None and value == literal_value(made.text)
        far = value is not None and abs(value - 10**7) > PLAUSIBLE_HZ
        cut = made.damage in {"beginning", "end"} and parser.by_terminator
        if not literal or (made.damage in STRICT and not cut and not far):
            wrong.append(f"{made.damage}: '{made.text}' gave {value}, was {made.truth}")
    return wrong
