"""The rules among the keys of a profile, and those that its examples must pass."""

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any, Final

from benchwatch.errors import ReplyError
from benchwatch.quantity import printable
from benchwatch_drivers.profile.profile import Example, Profile
from benchwatch_drivers.profile.profile_line import LineReader

PLAUSIBLE: Final = Decimal("1e-3")
"""Acquisition refuses what is farther than this fraction from the nominal."""
GROUPS: Final = ("number", "unit", "header")

BrokenRule = tuple[str, str]
"""Key, and what is wrong with it."""


def broken_rule(profile: Profile, given: Mapping[str, Any]) -> BrokenRule | None:
    """Return the first rule that `profile` breaks; `given` is the file's own tables."""
    return next(_broken(profile, given), None)


def ambiguous_part(profile: Profile, example: Example) -> str | None:
    """Return a beginning or end of the example that would pass for another reading, if any.

    A piece with the same value does no harm, and one that is nowhere near it is refused by
    acquisition. Any interval is plausible, so no piece of one may be read.
    """
    if example.value is None:
        return None
    reader, text = LineReader(profile), example.line.strip(" ")
    for cut in range(1, len(text)):
        for piece in (text[:cut], text[cut:]):
            try:
                reading = reader.read(piece)
            except ReplyError:
                continue
            if reading is None or reading.value is None:
                continue
            off = abs(reading.value - example.value)
            near = profile.measures == "interval" or off <= PLAUSIBLE * abs(example.value)
            if near and not agrees(reading.value, example.value):
                return printable(piece)
    return None


def agrees(value: Decimal, written: Decimal) -> bool:
    """Return whether `value` rounds to `written`; the frequency of a period has more digits."""
    exponent = written.as_tuple().exponent
    assert isinstance(exponent, int), "a parsed number is finite"
    step = Decimal(1).scaleb(min(exponent, 0))
    return abs(value - written) <= step / 2


def _broken(profile: Profile, given: Mapping[str, Any]) -> Iterator[BrokenRule]:
    yield from _line_rules(profile, given)
    yield from _mode_rules(profile, given)
    yield from _gate_rules(profile, given)
    if profile.measures == "interval" and profile.hands_out_newest:
        yield "reading.hands_out", 'intervals can\'t be told apart; expected "new"'
    if profile.measures != "interval" and "interval" in given:
        yield "interval", 'belongs to measures = "interval" only'
    if profile.measures == "interval" and not profile.interval.period_s > 0:
        yield "interval.period", "expected a duration above zero"
    if profile.local is not None and not (profile.gate.can_be_set or profile.channels):
        yield "local", "is never sent, as this profile sets nothing; leave it out"
    if profile.errors is not None and not (profile.gate.can_be_set or profile.channels):
        yield "errors", "is never asked, as this profile sets nothing; leave it out"


def _line_rules(profile: Profile, given: Mapping[str, Any]) -> Iterator[BrokenRule]:
    groups = profile.line.pattern.groups
    if "number" not in groups:
        yield "line.pattern", "expected a group (?P<number>...) around the digits"
    for group in groups:
        if group not in GROUPS:
            yield "line.pattern", f"group '{group}' is not known; known are {', '.join(GROUPS)}"
    if "unit" in groups and "unit" in given["line"]:
        yield "line.unit", "the pattern has a group 'unit': leave one of them out"
    if ("header" in groups) != bool(profile.line.headers):
        yield "line.headers", "go together with a group (?P<header>...) in line.pattern"
    if profile.line.headers and profile.measures not in profile.line.headers.values():
        yield "line.headers", f'expected one that means "{profile.measures}"'
    if "first_line" in given["line"] and profile.mode != "stream":
        yield "line.first_line", 'is for mode = "stream" only'
    if "doubled" in given["line"] and profile.mode == "query":
        yield "line.doubled", 'is for lines that nobody asked for; leave it out in mode = "query"'


def _mode_rules(profile: Profile, given: Mapping[str, Any]) -> Iterator[BrokenRule]:
    if profile.mode == "query" and profile.reading is None:
        what = '[reading] on a line of its own, and under it command = "READ?", or what it is asked'
        yield "reading.command", f'is missing and needed in mode = "query"; write {what}'
    if profile.hands_out_newest and profile.mode == "stream":
        yield "reading.hands_out", 'nothing can be asked in mode = "stream"'
    if profile.mode == "stream":
        for key in ("reading", "reference", "identity", "errors", "channels", "local"):
            if key in given:
                yield key, 'nothing can be sent in mode = "stream"; leave it out'
        if profile.gate.query or profile.gate.can_be_set:
            yield "gate", 'only fixed is possible in mode = "stream"'


def _gate_rules(profile: Profile, given: Mapping[str, Any]) -> Iterator[BrokenRule]:
    gate = profile.gate
    if gate.fixed_s is not None and (gate.query or gate.can_be_set):
        yield "gate.fixed", "is for counters that can neither be asked nor set; leave it out"
    if gate.command and gate.choices:
        yield "gate.choices", "and gate.command exclude each other"
    if gate.query is None:
        for key in ("pattern", "answers"):
            if key in given.get("gate", {}):
                yield f"gate.{key}", "needs gate.query"
    if profile.measures == "interval" and "gate" in given:
        yield "gate", "interval.spacing says it where intervals are measured; leave it out"
