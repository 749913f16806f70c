"""Reads a profile from TOML; a fault in it is reported in a sentence.

Keys and values are checked against their declaration, then the rules among them. The example
lines are read too, and then cut at every place: a piece that would pass for a reading is a fault
of the pattern.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from benchwatch.config_tables import (
    Location,
    WrongValue,
    parse_toml,
    read_config_text,
    read_tables,
    wrong_value,
)
from benchwatch.errors import DriverError, FileError, ReplyError, UsageError
from benchwatch.quantity import parse_reply, printable
from benchwatch_drivers.profile.profile import (
    ErrorForm,
    Example,
    GateForm,
    IntervalForm,
    LineForm,
    Profile,
    ReferenceForm,
)
from benchwatch_drivers.profile.profile_keys import PROFILE
from benchwatch_drivers.profile.profile_line import LineReader
from benchwatch_drivers.profile.profile_rules import agrees, ambiguous_part, broken_rule
from benchwatch_drivers.profile.profile_values import unit

if TYPE_CHECKING:
    from decimal import Decimal

LARGEST_FILE_BYTES: Final = 100_000
"""Bytes; a profile is a page of text."""
MOST_MATCH_STEPS: Final = 30_000_000
"""Most steps of matching to try all pieces of the examples, a second or two; few are usual."""


def read_profile(path: Path) -> Profile:
    """Read and check the profile in `path`; its name is that of the file.

    Args:
        path: A TOML file.

    Raises:
        DriverError: the profile can't be read or used; the message names file, key and value.
    """
    file = printable(str(path), 200)
    given = _load(path, file)
    try:
        values = read_tables(given, PROFILE, file)
        _check_unit(given, values, Location(file))
    except UsageError as error:
        raise DriverError(str(error)) from error
    profile = _profile(path.stem, values)
    broken = broken_rule(profile, given)
    if broken is not None:
        raise _fault(file, *broken)
    return _with_examples(profile, values["examples"], file)


def _load(path: Path, file: str) -> dict[str, Any]:
    try:
        text = read_config_text(
            path, "profile", largest=LARGEST_FILE_BYTES, way_out="Check its name and permissions."
        )
    except FileError as error:
        raise DriverError(str(error)) from error
    try:
        return parse_toml(text, f"the profile {file} is no TOML")
    except FileError as error:
        raise DriverError(f"{error} Put text in quotes, and patterns in single ones.") from error


def _profile(name: str, values: Mapping[str, Any]) -> Profile:
    """Return the profile with these values, without the examples."""
    reference, errors = values.get("reference"), values.get("errors")
    return Profile(
        name=name,
        **{name: values[name] for name in PROFILE.keys if name in values},
        **values.get("reading", {}),
        **values.get("identity", {}),
        **values.get("timeout", {}),
        line=LineForm(**values["line"]),
        gate=GateForm(**values.get("gate", {})),
        reference=None if reference is None else ReferenceForm(**reference),
        errors=None if errors is None else ErrorForm(**errors),
        interval=IntervalForm(**values.get("interval", {})),
    )


def _check_unit(given: Mapping[str, Any], values: Mapping[str, Any], file: Location) -> None:
    measures, written = values.get("measures", "frequency"), given["line"].get("unit")
    if written is None:
        if measures != "frequency" and "unit" not in values["line"]["pattern"].groups:
            raise UsageError(
                f'{file / "line"}: the key "unit" is missing and needed; write unit = "s", ms, us '
                "or ns."
            )
        return
    base = "Hz" if measures == "frequency" else "s"
    try:
        unit(base).read(written)
    except WrongValue as error:
        raise wrong_value(file / "line", "unit", f'"{base}"', written, error) from error


def _with_examples(profile: Profile, given: Sequence[Mapping[str, str]], file: str) -> Profile:
    reader = LineReader(profile)
    examples = tuple(_examples(profile, given, file))
    _check_cost(profile.line, examples, file)
    if all(example.value is None for example in examples):
        raise _fault(file, "examples", "expected at least one line with its value")
    for number, example in enumerate(examples, start=1):
        _check_example(file, f"examples {number}", reader, example)
        piece = None if profile.line.by_terminator else ambiguous_part(profile, example)
        if piece is not None:
            raise _fault(
                file,
                "line.pattern",
                f"'{piece}', a piece of the example '{printable(example.line)}', would pass "
                "for a reading. Fix the number of digits, such as \\d{8}\\.\\d{4}; or, where "
                'it varies and only the line\'s end tells, write cuts = "terminator"',
            )
    return replace(profile, examples=examples)


def _check_cost(form: LineForm, examples: Sequence[Example], file: str) -> None:
    """Refuse examples whose pieces can't all be tried in `MOST_MATCH_STEPS`."""
    patterns = (form.pattern, form.overrange, form.invalid, form.ignore)
    size = sum(pattern.size for pattern in patterns if pattern is not None)
    if size * sum(len(example.line) ** 2 for example in examples) > MOST_MATCH_STEPS:
        raise _fault(
            file,
            "examples",
            "are too many or too long to be tried with so large a pattern; leave some out",
        )


def _examples(profile: Profile, given: Sequence[Mapping[str, str]], file: str) -> Iterator[Example]:
    base = "s" if profile.measures == "interval" else "Hz"
    for number, example in enumerate(given, start=1):
        value: Decimal | None = None
        if "value" in example:
            try:
                value = parse_reply(example["value"], base)
            except ReplyError as error:
                raise _fault(file, f"examples {number}.value", str(error)) from error
        yield Example(example["line"], value)


def _check_example(file: str, where: str, reader: LineReader, example: Example) -> None:
    try:
        reading = reader.read(example.line)
    except ReplyError as error:
        if example.value is not None:
            raise _fault(
                file, where, f"this profile can't read its own example: {error}"
            ) from error
        return
    value = None if reading is None else reading.value
    if example.value is not None and value is None:
        raise _fault(file, where, "this profile takes its own example for no reading")
    if value is not None and example.value is None:
        raise _fault(file, where, f"reads {value}; say so with value, or refuse it")
    if value is not None and example.value is not None and not agrees(value, example.value):
        raise _fault(file, where, f"reads {value}, and its value says {example.value}")


def _fault(file: str, key: str, what: str) -> DriverError:
    return DriverError(f"{file}: {printable(key, 60)}: {what.rstrip('.')}.")
