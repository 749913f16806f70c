"""Reads the number in one whole line.

Most parts of a cut line still parse as numbers. So the line must match the profile's pattern in
full first, and only its digits are then parsed.
"""

from dataclasses import dataclass
from decimal import Context, Decimal
from typing import Final

from benchwatch.errors import ReplyError
from benchwatch.quantity import parse_reply, printable
from benchwatch_drivers.profile.patterns import Pattern
from benchwatch_drivers.profile.profile import Profile

_EXACT: Final = Context(prec=60)


@dataclass(frozen=True, slots=True)
class LineReading:
    """The number in a line, in hertz, or in seconds where intervals are measured."""

    value: Decimal | None
    """None: overrange."""
    resolution: float = 0.0
    """0 when unknown."""


class LineReader:
    """Reads the lines of one profile."""

    def __init__(self, profile: Profile) -> None:
        self._profile = profile
        self._form = profile.line
        groups = profile.line.pattern.groups
        self._has_unit = "unit" in groups
        self._has_header = "header" in groups
        self._unit = "Hz" if profile.measures == "frequency" else "s"

    def read(self, line: str) -> LineReading | None:
        """Return the reading in `line`; None when it is a line to be ignored.

        Blanks at both ends do not count.

        Raises:
            ReplyError: the line is no whole reading, or one of another quantity.
        """
        text = line.strip(" ")
        form = self._form
        match = None
        if text.isprintable():
            match = form.pattern.match(text)
            if match is None:
                self._raise_if_invalid(text)
                if _fits(form.ignore, text):
                    return None
                if _fits(form.overrange, text):
                    return LineReading(None)
        if match is None:
            raise ReplyError(
                f"the line '{printable(line)}' is no whole reading of a {self._profile.family}; "
                "it was not used."
            )
        if _fits(form.overrange, text):
            return LineReading(None)
        self._raise_if_invalid(text)
        if self._has_header:
            self._check_header(match["header"], line)
        unit = match["unit"] if self._has_unit else form.unit
        return self._reading(match["number"], unit, line)

    def _reading(self, number: str, unit: str, line: str) -> LineReading:
        if self._form.decimal_mark != ".":
            if "." in number:
                raise ReplyError(f"'{printable(line)}' mixes two decimal marks; it was not used.")
            number = number.replace(self._form.decimal_mark, ".")
        written = parse_reply(f"{number} {unit}".strip(), self._unit)
        step = Decimal(1).scaleb(_exponent(written))
        value, step = written * self._form.scale, step * abs(self._form.scale)
        if self._profile.measures == "period":
            value, step = _inverted(value, step, line)
        elif self._profile.measures == "frequency" and value <= 0:
            raise ReplyError(
                f"the line '{printable(line)}' is no frequency above zero; it was not used. "
                "Is a signal connected?"
            )
        elif self._profile.measures == "interval" and abs(value) > self._profile.interval.period_s:
            raise ReplyError(
                f"the line '{printable(line)}' says more than the period of "
                f"{self._profile.interval.period_s} s, which no interval can be; it was not used."
            )
        hint = self._form.resolution
        return LineReading(value, float(step if hint is None else hint))

    def _check_header(self, header: str, line: str) -> None:
        function = self._form.headers.get(header.strip())
        if function == self._profile.measures:
            return
        shown = printable(line)
        if function is None:
            known = ", ".join(f"'{known}'" for known in self._form.headers)
            raise ReplyError(f"the line '{shown}' has a strange header; known are {known}.")
        raise ReplyError(
            f"the counter measures {printable(function)} ('{shown}'), and "
            f"{self._profile.measures} is wanted. Switch it over at the front panel."
        )

    def _raise_if_invalid(self, text: str) -> None:
        if _fits(self._form.invalid, text):
            raise ReplyError(
                f"the counter has no valid result (it says '{printable(text)}'). "
                "Check its signal and trigger level."
            )


def _fits(pattern: Pattern | None, text: str) -> bool:
    return pattern is not None and pattern.match(text) is not None


def _exponent(value: Decimal) -> int:
    exponent = value.as_tuple().exponent
    assert isinstance(exponent, int), "a parsed number is finite"
    return exponent


def _inverted(period_s: Decimal, step_s: Decimal, line: str) -> tuple[Decimal, Decimal]:
    """Return frequency and resolution of a period; the frequency keeps three more digits."""
    if period_s <= 0:
        raise ReplyError(f"the line '{printable(line)}' is no period; it was not used.")
    value = _EXACT.divide(Decimal(1), period_s)
    step = _EXACT.divide(_EXACT.multiply(value, step_s), period_s)
    digits = Decimal(1).scaleb(step.adjusted() - 3)
    return value.quantize(digits, context=_EXACT) if digits < value else value, step
