"""Checks a configuration file against its declaration, and reports the first fault."""

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import takewhile
from operator import itemgetter
from typing import Any

from benchwatch.config_tables.declarations import ConfigKey, ConfigTable
from benchwatch.config_tables.value_kinds import WrongValue
from benchwatch.errors import QuantityError, UsageError
from benchwatch.quantity import printable


@dataclass(frozen=True, slots=True)
class Location:
    """A place in a file, for messages."""

    file: str
    path: tuple[str, ...] = ()

    def __truediv__(self, key: str) -> "Location":
        return Location(self.file, (*self.path, printable(key, 40)))

    def __str__(self) -> str:
        return f"{self.file}: {'.'.join(self.path)}" if self.path else self.file


@dataclass(frozen=True, slots=True)
class _Part:
    """A table of the file, with its place and its declaration."""

    at: Location
    table: ConfigTable
    given: Mapping[str, Any]


def read_tables(given: Mapping[str, Any], table: ConfigTable, file: str) -> dict[str, Any]:
    """Return the values in a file; an unknown key is reported before a missing one.

    Args:
        given: The file's tables as `parse_toml` returns them.
        table: The declaration of the file.
        file: The file's name in messages.

    Returns:
        Each key's value under the key's name (or its declared field). A table within is such a
        dictionary; tables repeated by name are a dictionary of these, an array is a list of them.

    Raises:
        UsageError: an unknown key, no table where one is expected, a value of the wrong kind or
            a missing key; `QuantityError` where a quantity can't be read.
    """
    parts = list(_parts(_Part(Location(file), table, given), table))
    values = _values(Location(file), table, given)
    for part in parts:
        _check_required(part)
    return values


def wrong_value(
    at: Location, name: str, example: str, value: Any, error: WrongValue | QuantityError
) -> UsageError:
    """Return the error that says which value in a file can't be used, and how to write it.

    Args:
        at: The table that holds the key.
        name: The key.
        example: Its value as it may stand in the file.
        value: Its value in the file.
        error: What is wrong with it.
    """
    advice = f"Write it like {name} = {example}."
    if isinstance(error, QuantityError):
        return QuantityError(f"{at / name}: {error} {advice}")
    found = printable(json.dumps(value, default=str, ensure_ascii=False), 60)
    return UsageError(f"{at / name}: {error}; found {found}. {error.advice or advice}")


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return ``; did you mean 'tolerance'?``, or a full stop where no known word is near."""
    near = get_close_matches(word.lower(), list(known), n=1, cutoff=0.5)
    return f"; did you mean '{near[0]}'?" if near else "."


def _parts(part: _Part, root: ConfigTable) -> Iterator[_Part]:
    """Yield this table and those within it; raise where one has an unknown key."""
    for name in part.given:
        if name not in part.table.entries:
            raise UsageError(_unknown(part, name, root))
    yield part
    for name, inner in part.table.tables.items():
        if name in part.given:
            for at, given in _repetitions(part.at / name, inner, part.given[name]):
                yield from _parts(_Part(at, inner, given), root)


def _unknown(part: _Part, name: str, root: ConfigTable) -> str:
    hint = did_you_mean(name, part.table.entries)
    if hint == ".":
        hint = _belongs_in(part, name, root)
    known = ", ".join(part.table.entries)
    return f"{part.at}: unknown key '{printable(name)}'{hint} Known: {known}."


def _belongs_in(part: _Part, name: str, root: ConfigTable) -> str:
    """Return ``; it belongs in [line].``, the nearest such table, or a full stop without one."""
    headers = [
        (_shared_levels(path, part.at.path), table.header(path))
        for path, table in _inner_tables(root, ())
        if name in table.entries and table is not part.table
    ]
    return f"; it belongs in {max(headers, key=itemgetter(0))[1]}." if headers else "."


def _inner_tables(
    table: ConfigTable, path: tuple[str, ...]
) -> Iterator[tuple[tuple[str, ...], ConfigTable]]:
    """Yield every table within `table`, each with its path; ``NAME`` stands for any name."""
    for name, inner in table.tables.items():
        here = (*path, name)
        yield here, inner
        yield from _inner_tables(inner, (*here, "NAME") if inner.repeated == "named" else here)


def _shared_levels(path: tuple[str, ...], other: tuple[str, ...]) -> int:
    """Count the levels from the top in which two tables lie together."""
    pairs = zip(path, other, strict=False)
    return sum(1 for _ in takewhile(lambda pair: pair[0] in ("NAME", pair[1]), pairs))


def _repetitions(
    at: Location, table: ConfigTable, given: Any
) -> list[tuple[Location, Mapping[str, Any]]]:
    """List the tables that stand under one name, each with its location."""
    if table.repeated == "array":
        if not isinstance(given, list) or not all(isinstance(one, dict) for one in given):
            raise UsageError(f"{at} must be tables, each written {table.header(at.path)}.")
        above = Location(at.file, at.path[:-1])
        return [
            (above / f"{at.path[-1]} {number}", one) for number, one in enumerate(given, start=1)
        ]
    if not isinstance(given, dict):
        raise UsageError(f"{at} must be a table, written {table.header(at.path)}.")
    if table.repeated == "no":
        return [(at, given)]
    for name, one in given.items():
        if not re.fullmatch(table.name_pattern, name):
            raise UsageError(
                f"{at / name}: a name is letters, digits, - and _, 32 at most, such as "
                f"{table.header(at.path, 'main')}."
            )
        if not isinstance(one, dict):
            inner = at / name
            raise UsageError(f"{inner} must be a table, written [{'.'.join(inner.path)}].")
    return [(at / name, one) for name, one in given.items()]


def _values(at: Location, table: ConfigTable, given: Mapping[str, Any]) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for name, key in table.keys.items():
        if name in given:
            values[key.field or name] = _value(at, name, key, given[name])
        elif key.default is not None:
            values[key.field or name] = key.default
    for name, inner in table.tables.items():
        if name in given:
            values[name] = _inner_values(at / name, inner, given[name])
    return values


def _value(at: Location, name: str, key: ConfigKey, value: Any) -> Any:
    try:
        return key.kind.read(value)
    except (WrongValue, QuantityError) as error:
        raise wrong_value(at, name, key.example, value, error) from error


def _inner_values(at: Location, table: ConfigTable, given: Any) -> Any:
    read = [_values(where, table, one) for where, one in _repetitions(at, table, given)]
    if table.repeated == "named":
        return dict(zip(given, read, strict=True))
    return read if table.repeated == "array" else read[0]


def _check_required(part: _Part) -> None:
    for name, entry in part.table.entries.items():
        if not entry.required:
            continue
        if isinstance(entry, ConfigKey) and name not in part.given:
            raise UsageError(
                f'{part.at}: the key "{name}" is missing and needed; '
                f"write {_proposal(name, entry)}."
            )
        if isinstance(entry, ConfigTable) and _is_missing(entry, part.given.get(name)):
            raise UsageError(f"{part.at}: {_missing_table(entry, (*part.at.path, name))}")


def _proposal(name: str, key: ConfigKey) -> str:
    choices = key.kind.schema.get("enum")
    return f"{name} = {', or '.join(map(json.dumps, choices)) if choices else key.example}"


def _is_missing(table: ConfigTable, given: Any) -> bool:
    return given is None or (table.repeated != "no" and not given)


def _missing_table(table: ConfigTable, path: tuple[str, ...]) -> str:
    keys = table.keys
    names = table.begin_with or [name for name in keys if keys[name].required]
    under = " and ".join(_proposal(name, keys[name]) for name in names)
    return (
        f"the table {table.header(path)} is missing and needed; write "
        f"{table.header(path, 'main')} on a line of its own, and under it {under}."
    )
