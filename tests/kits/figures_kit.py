"""Figures on a picture of the screen, each of which must be a number of the snapshot.

A front end computes nothing: apart from the ends of axes, each figure with a unit is a number of
the snapshot in that unit, rounded to the printed digits.
"""

import dataclasses
import random
import re
from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from typing import Any, NamedTuple

from benchwatch.snapshot import Snapshot

UNITS = {"ppm": 1e-6, "ppb": 1e-9, "parts in 10^12": 1e-12, "Hz": 1.0}
SPANS_S = {"/h": 3600.0, " per h": 3600.0, "/min": 60.0, " per min": 60.0, "/s": 1.0, " per s": 1.0}
_NUMBER = r"\d+(?:\.\d+)?"
_FIGURE = re.compile(
    rf"(?<![\w.,:])[+-]?({_NUMBER})(?: (?:±|\+/-) ({_NUMBER}))?"
    r" (ppm|ppb|parts in 10\^12|Hz)(/h|/min|/s| per h| per min| per s)?(?![\w/])"
)
TIMES = re.compile(r".*_s$|^(horizon|speed|gate|nominal|weight|moves).*")
"""Fields that hold a time or a setting; `with_other_numbers` does not change them."""


def half_a_digit(digits: str) -> float:
    """Return half of the last printed digit of a number, the most that rounding changes."""
    exponent = Decimal(digits).as_tuple().exponent
    assert isinstance(exponent, int)
    return 0.5 * 10.0**exponent


def prints_as(value: float, digits: str) -> bool:
    """Return whether a value, rounded to the last digit of `digits`, is that number."""
    return abs(value - float(digits)) <= half_a_digit(digits) * (1 + 1e-9)


class Figure(NamedTuple):
    """A number without its sign, as printed."""

    digits: str
    unit: str
    span: str
    u: str | None = None

    def can_be(self, value: float, nominal_hz: float) -> bool:
        """Return whether a number of the snapshot is printed as this figure."""
        return any(prints_as(abs(one), self.digits) for one in self._in_unit(value, nominal_hz))

    def can_have(self, u: float, nominal_hz: float) -> bool:
        """Return whether an uncertainty of the snapshot is printed as this figure's."""
        return self.u is None or any(prints_as(one, self.u) for one in self._in_unit(u, nominal_hz))

    def _in_unit(self, value: float, nominal_hz: float) -> tuple[float, ...]:
        if self.unit == "Hz":
            return (value, value * nominal_hz)
        return (value / UNITS[self.unit] * SPANS_S.get(self.span, 1.0),)


def figures(text: str) -> list[Figure]:
    """Find the figures with a unit of offset or drift."""
    return [Figure(m[1], m[3], m[4] or "", m[2]) for m in _FIGURE.finditer(text)]


def foreign_figures(text: str, shown: Snapshot) -> list[Figure]:
    """Return the figures of a picture that no record of the snapshot holds.

    Value and uncertainty must come from one record; sentences of the snapshot may be quoted.
    """
    records = [list(record) for record in _records(shown)]
    quoted = {figure for string in _strings(shown) for figure in figures(string)}
    nominal_hz = shown.nominal_hz
    return [
        figure
        for figure in figures(text)
        if figure not in quoted
        and not any(
            any(figure.can_be(value, nominal_hz) for value in record)
            and any(figure.can_have(u, nominal_hz) for u in record)
            for record in records
        )
    ]


def with_other_numbers(shown: Snapshot, seed: int) -> Snapshot:
    """Return the snapshot with each measured number scaled by its own random factor, 0.7 to 1.4."""
    chance = random.Random(seed)
    return _scaled(shown, chance)


def _scaled(record: Any, chance: random.Random) -> Any:
    changes = {}
    for field in dataclasses.fields(record):
        value = getattr(record, field.name)
        if isinstance(value, float) and not TIMES.match(field.name):
            changes[field.name] = value * chance.uniform(0.7, 1.4)
        elif isinstance(value, tuple) and value and dataclasses.is_dataclass(value[0]):
            changes[field.name] = tuple(_scaled(one, chance) for one in value)
        elif dataclasses.is_dataclass(value):
            changes[field.name] = _scaled(value, chance)
    return replace(record, **changes)


def _records(value: Any) -> Iterator[Iterator[float]]:
    """Yield the numbers of each record, also those of its properties."""
    for record in _walk(value):
        names = [field.name for field in dataclasses.fields(record)]
        names += [name for name, kind in vars(type(record)).items() if isinstance(kind, property)]
        yield (one for name in names if isinstance(one := getattr(record, name), float))


def _strings(value: Any) -> Iterator[str]:
    for record in _walk(value):
        for field in dataclasses.fields(record):
            if isinstance(text := getattr(record, field.name), str):
                yield text


def _walk(value: Any) -> Iterator[Any]:
    if dataclasses.is_dataclass(value):
        yield value
        for field in dataclasses.fields(value):
            yield from _walk(getattr(value, field.name))
    elif isinstance(value, tuple):
        for one in value:
            yield from _walk(one)
