"""Kinds of values in a configuration file: how each is read, checked and described in a schema."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, Final

from benchwatch.quantity import parse_duration, parse_fraction, parse_frequency

Read = Callable[[Any], Any]
LONGEST_TEXT: Final = 200


class WrongValue(Exception):
    """A value is not of the expected kind.

    Args:
        expected: What was expected, without a full stop.
        advice: A sentence on what to do; empty: the key's example is shown.
    """

    def __init__(self, expected: str, advice: str = "") -> None:
        super().__init__(expected)
        self.advice = advice


@dataclass(frozen=True, slots=True)
class ValueKind:
    """One kind of value."""

    read: Read
    """Turns a value, as `tomllib` returns it, into the one that the program uses; raises
    `WrongValue`, or `QuantityError` with a message that quotes the value."""
    schema: Mapping[str, Any]
    """JSON schema of what may stand in the file: types and choices, not every rule."""

    def then(self, convert: Read) -> "ValueKind":
        """Return this kind with its values converted."""
        return ValueKind(lambda value: convert(self.read(value)), self.schema)


def text(
    *, longest: int | None = LONGEST_TEXT, ascii_only: bool = False, blank: bool = False
) -> ValueKind:
    """Return the kind: one line of text.

    Args:
        longest: Most characters; None: as many as the file holds.
        ascii_only: Refuse other characters than ASCII.
        blank: Accept empty and blank text too.
    """
    limit = "" if longest is None else f", at most {longest} characters"
    expected = f"expected one line of plain text in quotes{limit}"

    def read(value: Any) -> str:
        if not isinstance(value, str) or not value.isprintable():
            raise WrongValue(expected)
        too_long = longest is not None and len(value) > longest
        if too_long or not (blank or value.strip()) or (ascii_only and not value.isascii()):
            raise WrongValue(expected)
        return value

    return ValueKind(read, {"type": "string"} if blank else {"type": "string", "minLength": 1})


def quantity(what: str, parse: Callable[[str], Any]) -> ValueKind:
    """Return the kind: text with a unit, read by `parse`, which raises `QuantityError`."""

    def read(value: Any) -> Any:
        if not isinstance(value, str) or not value.strip():
            raise WrongValue(f"expected {what} in quotes, with its unit")
        return parse(value)

    return ValueKind(read, {"type": "string", "minLength": 1})


def one_of(*words: str) -> ValueKind:
    """Return the kind: one of `words`."""
    listed = ", ".join(repr(word).replace("'", '"') for word in words)

    def read(value: Any) -> str:
        if value not in words:
            near = get_close_matches(value, words, n=1) if isinstance(value, str) else []
            hint = f' (did you mean "{near[0]}"?)' if near and near[0].isprintable() else ""
            raise WrongValue(f"expected one of {listed}{hint}")
        return str(value)

    return ValueKind(read, {"enum": list(words)})


def number(expected: str, good: Callable[[float], bool]) -> ValueKind:
    """Return the kind: a number for which `good` is true; messages call it `expected`."""

    def read(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not good(value):
            raise WrongValue(f"expected {expected}, without quotes")
        return float(value)

    return ValueKind(read, {"type": "number"})


def whole_number(least: int, most: int) -> ValueKind:
    """Return the kind: a whole number from `least` to `most`."""

    def read(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            raise WrongValue(f"expected a whole number from {least} to {most}, without quotes")
        return value

    return ValueKind(read, {"type": "integer", "minimum": least, "maximum": most})


def list_of(kind: ValueKind, what: str) -> ValueKind:
    """Return the kind: a list of at least one value of `kind`, read as a tuple."""

    def read(value: Any) -> tuple[Any, ...]:
        if not isinstance(value, list) or not value:
            raise WrongValue(f"expected a list of {what}")
        return tuple(map(kind.read, value))

    return ValueKind(read, {"type": "array", "minItems": 1, "items": kind.schema})


def mapping(name: Read, value: ValueKind, name_pattern: str = "") -> ValueKind:
    """Return the kind: a table of at least one `value`, under names that its author chooses.

    Args:
        name: Reads a name; raises as `ValueKind.read`.
        value: The kind of the values.
        name_pattern: For the schema, a regular expression that every valid name matches.
    """

    def read(given: Any) -> dict[Any, Any]:
        if not isinstance(given, dict) or not given:
            raise WrongValue("expected a table with at least one entry")
        return {name(key): value.read(entry) for key, entry in given.items()}

    schema = {"type": "object", "minProperties": 1, "additionalProperties": value.schema}
    names = {"propertyNames": {"pattern": name_pattern}} if name_pattern else {}
    return ValueKind(read, schema | names)


def as_written(kind: ValueKind) -> ValueKind:
    """Return the kind: a value that `kind` can read, kept as it is written."""

    def read(value: Any) -> Any:
        kind.read(value)
        return value

    return ValueKind(read, kind.schema)


def _switch(value: Any) -> bool:
    if not isinstance(value, bool):
        raise WrongValue("expected true or false")
    return value


SWITCH: Final = ValueKind(_switch, {"type": "boolean"})
DURATION: Final = quantity("a duration", parse_duration)
FRACTION: Final = quantity("a fraction", parse_fraction)
FREQUENCY: Final = quantity("a frequency", parse_frequency)
