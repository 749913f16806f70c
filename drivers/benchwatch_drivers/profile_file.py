"""Reads a profile from TOML, and says in a sentence what is wrong with it.

Every key that is not known, every value of the wrong kind and every rule that is broken is
named with the file, the key and what was expected. The example lines are read too, and then
cut at every place: a piece that would pass for a reading is a fault of the pattern.
"""

import tomllib
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from benchwatch.errors import DriverError, ReplyError
from benchwatch.quantity import parse_reply, printable
from benchwatch_drivers import profile_values as read
from benchwatch_drivers.profile import (
    MEASURES,
    MODES,
    ErrorForm,
    Example,
    GateForm,
    IntervalForm,
    LineForm,
    Profile,
    ReferenceForm,
)
from benchwatch_drivers.profile_line import LineReader
from benchwatch_drivers.profile_rules import agrees, broken_rule, treacherous_piece

if TYPE_CHECKING:
    from decimal import Decimal

LARGEST_FILE: Final = 100_000
"""Bytes; a profile is a page of text."""

Keys = Mapping[str, tuple[str, read.Read]]
"""Key in the file -> field of the record, and how its value is read."""

TOP: Final[Keys] = {
    "family": ("family", read.text),
    "mode": ("mode", read.one_of(*MODES)),
    "measures": ("measures", read.one_of(*MEASURES)),
    "local": ("local", read.command),
    "channels": ("channels", read.table(read.channel, read.command)),
}
LINE: Final[Keys] = {
    "pattern": ("pattern", read.pattern),
    "terminator": ("terminator", read.one_of(*read.TERMINATORS)),
    "unit": ("unit", read.text),
    "scale": ("scale", read.number),
    "decimal_mark": ("decimal_mark", read.one_of(*read.DECIMAL_MARKS)),
    "headers": ("headers", read.table(read.text, read.text)),
    "overrange": ("overrange", read.pattern),
    "invalid": ("invalid", read.pattern),
    "ignore": ("ignore", read.pattern),
    "first_line": ("keeps_first", read.chosen("keep", "drop")),
    "doubled": ("counts_doubled", read.chosen("count", "drop")),
    "resolution": ("resolution", read.resolution),
    "cuts": ("by_terminator", read.chosen("terminator", "refused")),
}  # fmt: skip
READING: Final[Keys] = {
    "command": ("reading", read.command),
    "hands_out": ("hands_out_newest", read.chosen("newest", "new")),
}
GATE: Final[Keys] = {
    "fixed": ("fixed_s", read.duration),
    "query": ("query", read.command),
    "pattern": ("pattern", read.pattern),
    "unit": ("unit_s", read.unit_of_time),
    "answers": ("answers", read.table(str, read.duration)),
    "command": ("command", read.gate_command),
    "choices": ("choices", read.table(read.duration, read.command)),
}
REFERENCE: Final[Keys] = {
    "query": ("query", read.command),
    "internal": ("internal", read.pattern),
    "external": ("external", read.pattern),
}
IDENTITY: Final[Keys] = {
    "query": ("identity_query", read.command),
    "pattern": ("identity_pattern", read.pattern),
}
ERRORS: Final[Keys] = {"query": ("query", read.command), "none": ("none", read.pattern)}
TIMEOUT: Final[Keys] = {
    "gates": ("timeout_gates", read.times),
    "margin": ("timeout_margin_s", read.duration),
}
INTERVAL: Final[Keys] = {
    "period": ("period_s", read.exact_duration),
    "spacing": ("spacing_s", read.exact_duration),
    "starts": ("starts_with_source", read.chosen("source", "reference")),
}
EXAMPLE: Final[Keys] = {"line": ("line", read.text), "value": ("value", read.text)}

TABLES: Final[Mapping[str, Keys]] = {
    "line": LINE,
    "reading": READING,
    "gate": GATE,
    "reference": REFERENCE,
    "identity": IDENTITY,
    "errors": ERRORS,
    "timeout": TIMEOUT,
    "interval": INTERVAL,
}
NEEDED: Final[Mapping[str, tuple[str, ...]]] = {
    "": ("family", "mode", "line", "examples"),
    "line": ("pattern",),
    "reference": ("query", "internal", "external"),
    "identity": ("query",),
    "errors": ("query", "none"),
}


def read_profile(path: Path) -> Profile:
    """Read and check the profile in `path`; it is called like the file.

    Raises:
        DriverError: it can't be read, or says something that can't be; where and what.
    """
    return _Reading(path).profile()


class _Reading:
    """One file being read."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def profile(self) -> Profile:
        given = self._load()
        self._check_keys("", given, [*TOP, *TABLES, "examples"])
        top = self._fields("", TOP, {key: given[key] for key in given if key in TOP})
        tables = {name: self._table(name, given.get(name)) for name in TABLES}
        self._check_unit(given, top.get("measures", "frequency"))
        profile = Profile(
            name=self._path.stem,
            **top,
            **tables["reading"],
            **tables["identity"],
            **tables["timeout"],
            line=LineForm(**tables["line"]),
            gate=GateForm(**tables["gate"]),
            reference=ReferenceForm(**tables["reference"]) if "reference" in given else None,
            errors=ErrorForm(**tables["errors"]) if "errors" in given else None,
            interval=IntervalForm(**tables["interval"]),
        )
        broken = broken_rule(profile, given)
        if broken is not None:
            raise self._fault(*broken)
        return self._with_examples(profile, given["examples"])

    # ------------------------------------------------------------- the file

    def _load(self) -> dict[str, Any]:
        try:
            with self._path.open("rb") as file:
                data = file.read(LARGEST_FILE + 1)
        except OSError as error:
            raise DriverError(
                f"the profile {self._shown} can't be read ({(error.strerror or 'error').lower()}). "
                "Check its name and permissions."
            ) from error
        if len(data) > LARGEST_FILE:
            raise DriverError(
                f"{self._shown} is no profile: it has more than {LARGEST_FILE} bytes."
            )
        try:
            return tomllib.loads(data.decode("utf-8"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
            raise DriverError(
                f"the profile {self._shown} is no TOML: {printable(str(error), 200)}. "
                "Put text in quotes, and patterns in single ones."
            ) from error

    # ------------------------------------------------------------- keys and values

    def _table(self, name: str, given: Any) -> dict[str, Any]:
        if given is None:
            return {}
        if not isinstance(given, dict):
            raise self._fault(name, f"expected a table; write [{name}] on a line of its own")
        self._check_keys(name, given, TABLES[name])
        return self._fields(name, TABLES[name], given)

    def _check_keys(self, where: str, given: Mapping[str, Any], known: Any) -> None:
        for key in given:
            if key in known:
                continue
            near = get_close_matches(key, list(known), n=1, cutoff=0.5)
            elsewhere = [name for name, keys in TABLES.items() if key in keys and name != where]
            hint = f"did you mean '{near[0]}'" if near else ""
            if elsewhere and not near:
                hint = f"it belongs in [{elsewhere[0]}]"
            place = f"in [{where}]" if where else "at the top"
            raise self._fault(
                _path(where, key),
                f"there is no such key {place}{'; ' + hint if hint else ''}. "
                f"Known {place} are {', '.join(known)}",
            )
        for key in NEEDED.get(where, ()):
            if key not in given:
                raise self._fault(_path(where, key), "is missing and needed")

    def _fields(self, where: str, keys: Keys, given: Mapping[str, Any]) -> dict[str, Any]:
        fields = {}
        for key, value in given.items():
            name, reader = keys[key]
            try:
                fields[name] = reader(value)
            except (read.Expected, ReplyError) as error:
                found = f"; found {printable(repr(value), 60)}"
                raise self._fault(_path(where, key), f"{error}{found}") from error
        return fields

    def _check_unit(self, given: Mapping[str, Any], measures: str) -> None:
        if "unit" not in given["line"]:
            if measures != "frequency" and "?P<unit>" not in given["line"]["pattern"]:
                raise self._fault("line.unit", "is missing and needed: s, ms, us or ns")
            return
        base = "Hz" if measures == "frequency" else "s"
        self._fields("line", {"unit": ("unit", read.unit(base))}, {"unit": given["line"]["unit"]})

    # ------------------------------------------------------------- examples

    def _with_examples(self, profile: Profile, given: Any) -> Profile:
        reader = LineReader(profile)
        examples = tuple(self._examples(profile, given))
        if all(example.value is None for example in examples):
            raise self._fault("examples", "expected at least one line with its value")
        for number, example in enumerate(examples, start=1):
            self._check_example(f"examples {number}", reader, example)
            piece = None if profile.line.by_terminator else treacherous_piece(profile, example)
            if piece is not None:
                raise self._fault(
                    "line.pattern",
                    f"'{piece}', a piece of the example '{printable(example.line)}', would pass "
                    "for a reading. Fix the number of digits, such as \\d{8}\\.\\d{4}; or, where "
                    'it varies and only the line\'s end tells, write cuts = "terminator"',
                )
        fields = {name: getattr(profile, name) for name in Profile.__slots__}
        return Profile(**{**fields, "examples": examples})

    def _examples(self, profile: Profile, given: Any) -> Iterator[Example]:
        if not isinstance(given, list) or not all(isinstance(entry, dict) for entry in given):
            raise self._fault("examples", "expected [[examples]] with line and value in each")
        base = "Hz" if profile.measures == "frequency" else "s"
        for number, entry in enumerate(given, start=1):
            where = f"examples {number}"
            self._check_keys_of_example(where, entry)
            fields = self._fields(where, EXAMPLE, entry)
            value: Decimal | None = None
            if "value" in fields:
                try:
                    value = parse_reply(
                        fields["value"], base if profile.measures != "period" else "Hz"
                    )
                except ReplyError as error:
                    raise self._fault(f"{where}.value", str(error)) from error
            yield Example(fields["line"], value)

    def _check_keys_of_example(self, where: str, entry: Mapping[str, Any]) -> None:
        self._check_keys(where, entry, EXAMPLE)
        if "line" not in entry:
            raise self._fault(f"{where}.line", "is missing and needed")

    def _check_example(self, where: str, reader: LineReader, example: Example) -> None:
        try:
            said = reader.read(example.line)
        except ReplyError as error:
            if example.value is not None:
                raise self._fault(
                    where, f"this profile can't read its own example: {error}"
                ) from error
            return
        value = None if said is None else said.value
        if example.value is not None and value is None:
            raise self._fault(where, "this profile takes its own example for no reading")
        if value is not None and example.value is None:
            raise self._fault(where, f"reads {value}; say so with value, or refuse it")
        if value is not None and example.value is not None and not agrees(value, example.value):
            raise self._fault(where, f"reads {value}, and its value says {example.value}")

    # ------------------------------------------------------------- sentences

    @property
    def _shown(self) -> str:
        return printable(str(self._path), 200)

    def _fault(self, key: str, what: str) -> DriverError:
        return DriverError(f"{self._shown}: {printable(key, 60)}: {what.rstrip('.')}.")


def _path(where: str, key: str) -> str:
    return f"{where}.{key}" if where else key
