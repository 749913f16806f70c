"""Reads a profile from TOML, and says in a sentence what is wrong with it.

Every key that is not known, every value of the wrong kind and every rule that is broken is
named with the file, the key and what was expected: first what is misspelt, then what is
missing. The example lines are read too, and then cut at every place: a piece that would pass for
a reading is a fault of the pattern.
"""

from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from benchwatch.config_tables import read_config_text, read_tables
from benchwatch.errors import DriverError, FileError, ReplyError
from benchwatch.quantity import parse_reply, printable
from benchwatch_drivers.profile import profile_values as read
from benchwatch_drivers.profile.profile import (
    ErrorForm,
    Example,
    GateForm,
    IntervalForm,
    LineForm,
    Profile,
    ReferenceForm,
)
from benchwatch_drivers.profile.profile_keys import EXAMPLE, NEEDED, TABLES, TOP, Keys
from benchwatch_drivers.profile.profile_line import LineReader
from benchwatch_drivers.profile.profile_rules import agrees, broken_rule, treacherous_piece

if TYPE_CHECKING:
    from decimal import Decimal

LARGEST_FILE: Final = 100_000
"""Bytes; a profile is a page of text."""
MOST_STEPS: Final = 30_000_000
"""Of matching, to try all pieces of the examples: a second or two; a usual profile takes few."""


def read_profile(path: Path) -> Profile:
    """Read and check the profile in `path`; it is called like the file.

    Args:
        path: A TOML file.

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
        parts = self._parts(given)
        for where, part, known in parts:
            self._check_keys(where, part, known)
        top = self._fields("", TOP, {key: given[key] for key in given if key in TOP})
        tables = {name: self._fields(name, TABLES[name], given.get(name, {})) for name in TABLES}
        for where, part, _ in parts:
            self._check_needed(where, part)
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
            text = read_config_text(
                self._path,
                "profile",
                largest=LARGEST_FILE,
                way_out="Check its name and permissions.",
            )
        except FileError as error:
            raise DriverError(str(error)) from error
        try:
            return read_tables(text, f"the profile {self._shown} is no TOML")
        except FileError as error:
            raise DriverError(
                f"{error} Put text in quotes, and patterns in single ones."
            ) from error

    # ------------------------------------------------------------- keys and values

    def _parts(self, given: dict[str, Any]) -> list[tuple[str, Mapping[str, Any], Sequence[str]]]:
        """List the file's parts in order: name, what it holds, and the keys it may hold."""
        parts: list[tuple[str, Mapping[str, Any], Sequence[str]]] = [
            ("", given, [*TOP, *TABLES, "examples"])
        ]
        for name, part in given.items():
            if name == "examples":
                if not isinstance(part, list) or not all(isinstance(one, dict) for one in part):
                    raise self._fault(name, "expected [[examples]] with line and value in each")
                parts += [(_example(n), one, [*EXAMPLE]) for n, one in enumerate(part, start=1)]
            elif name in TABLES:
                if not isinstance(part, dict):
                    raise self._fault(
                        name, f"expected a table; write [{name}] on a line of its own"
                    )
                parts.append((name, part, [*TABLES[name]]))
        return parts

    def _check_keys(self, where: str, given: Mapping[str, Any], known: Sequence[str]) -> None:
        for key in given:
            if key in known:
                continue
            near = get_close_matches(key, known, n=1, cutoff=0.5)
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

    def _check_needed(self, where: str, given: Mapping[str, Any]) -> None:
        part = where.split(" ", 1)[0]  # of the examples each
        for key, written in NEEDED.get(part, {}).items():
            if key not in given:
                raise self._fault(_path(where, key), f"is missing and needed; write {written}")

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
                raise self._fault(
                    "line.unit", 'is missing and needed: write unit = "s", ms, us or ns'
                )
            return
        base = "Hz" if measures == "frequency" else "s"
        self._fields("line", {"unit": ("unit", read.unit(base))}, {"unit": given["line"]["unit"]})

    # ------------------------------------------------------------- examples

    def _with_examples(self, profile: Profile, given: Any) -> Profile:
        reader = LineReader(profile)
        examples = tuple(self._examples(profile, given))
        self._check_cost(profile.line, examples)
        if all(example.value is None for example in examples):
            raise self._fault("examples", "expected at least one line with its value")
        for number, example in enumerate(examples, start=1):
            self._check_example(_example(number), reader, example)
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

    def _check_cost(self, form: LineForm, examples: Sequence[Example]) -> None:
        """Refuse examples whose pieces could not all be tried in a moment."""
        patterns = (form.pattern, form.overrange, form.invalid, form.ignore)
        size = sum(pattern.size for pattern in patterns if pattern is not None)
        if size * sum(len(example.line) ** 2 for example in examples) > MOST_STEPS:
            raise self._fault(
                "examples",
                "are too many or too long to be tried with so large a pattern; leave some out",
            )

    def _examples(self, profile: Profile, given: Any) -> Iterator[Example]:
        base = "Hz" if profile.measures == "frequency" else "s"
        for number, entry in enumerate(given, start=1):
            where = _example(number)
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


def _example(number: int) -> str:
    return f"examples {number}"


def _path(where: str, key: str) -> str:
    return f"{where}.{key}" if where else key
