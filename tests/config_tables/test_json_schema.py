"""The JSON schemas for editors: written from the declarations, and as strict as the reader."""

import copy
import json
import re
import runpy
import tomllib
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from benchwatch.bench.bench_file_draft import draft
from benchwatch.config_tables import ConfigTable, read_tables
from benchwatch.errors import UsageError
from benchwatch_drivers.bundled_profiles import bundled
from benchwatch_simulators.bench.simulated_bench_file import bench_names

CHECKOUT = Path(__file__).parents[2]
SCHEMAS = CHECKOUT / "docs" / "schemas"
SCRIPT = runpy.run_path(str(SCHEMAS / "write_schemas.py"))
TABLES: dict[str, ConfigTable] = {name: table for name, (table, _) in SCRIPT["FILES"].items()}
BENCHES = files("benchwatch_simulators") / "benches"
STRANGE: list[Any] = [True, 7, 1.5, "", "pig", [], [7], {}, {"pig": 7}]


def schema(name: str) -> dict[str, Any]:
    """Read a schema as an editor does."""
    return json.loads((SCHEMAS / f"{name}.schema.json").read_text())


def fits(name: str, document: Any) -> bool:
    """Return whether a document passes the schema; dates are text there."""
    plain = json.loads(json.dumps(document, default=str))
    return jsonschema.Draft202012Validator(schema(name)).is_valid(plain)


def is_read(name: str, document: Any) -> bool:
    """Return whether the reader accepts the tables and keys of a document."""
    try:
        read_tables(document, TABLES[name], "file.toml")
    except UsageError:
        return False
    return True


def whole(table: ConfigTable) -> dict[str, Any]:
    """Return a table, with its subtables, filled with the examples of its keys."""
    filled: dict[str, Any] = {
        name: tomllib.loads(f"x = {key.example}")["x"] for name, key in table.keys.items()
    }
    for name, inner in table.tables.items():
        one = whole(inner)
        filled[name] = {"named": {"main": one}, "array": [one], "no": one}[inner.repeated]
    return filled


def paths(table: ConfigTable, *above: str | int) -> Iterator[tuple[ConfigTable, tuple[Any, ...]]]:
    """Return every table with its path in a document made by `whole`."""
    yield table, above
    for name, inner in table.tables.items():
        step = {"named": ("main",), "array": (0,), "no": ()}[inner.repeated]
        yield from paths(inner, *above, name, *step)


def at(document: Any, path: tuple[Any, ...]) -> Any:
    """Return the table at a path."""
    for step in path:
        document = document[step]
    return document


@pytest.mark.parametrize("file", SCRIPT["schema_texts"]())
def test_a_schema_is_what_the_declarations_give(file: str) -> None:
    """Each is a valid schema, as ``python docs/schemas/write_schemas.py`` writes it."""
    text = (SCHEMAS / file).read_text()

    assert text == SCRIPT["schema_texts"]()[file]
    jsonschema.Draft202012Validator.check_schema(json.loads(text))


@pytest.mark.parametrize("path", bundled(), ids=lambda path: path.stem)
def test_bundled_profiles_fit(path: Path) -> None:
    """The schema accepts every bundled profile."""
    assert fits("profile", tomllib.loads(path.read_text()))


@pytest.mark.parametrize("bench", bench_names())
def test_bundled_benches_fit(bench: str) -> None:
    """The schema accepts every bundled bench."""
    assert fits("simulated-bench", tomllib.loads((BENCHES / f"{bench}.toml").read_text()))


def test_a_draft_of_a_bench_file_fits() -> None:
    """The schema accepts a draft with all lines uncommented, and with none."""
    text = draft([], "bench.toml")

    assert fits("bench", tomllib.loads(re.sub(r"(?m)^# (?=\[|\w+ = )", "", text)))
    assert fits("bench", tomllib.loads(text))


@pytest.mark.parametrize("name", TABLES)
def test_a_key_of_another_type_is_refused_by_both(name: str) -> None:
    """For every key and values of every type, the schema accepts what the reader accepts."""
    document = whole(TABLES[name])
    differ = []
    for table, path in paths(TABLES[name]):
        for key, value in ((key, value) for key in table.keys for value in STRANGE):
            changed = copy.deepcopy(document)
            at(changed, path)[key] = value
            read, fit = is_read(name, changed), fits(name, changed)
            other_type = type(value) is not type(at(document, path)[key])
            if read != fit and (read or (other_type and value != "pig")):
                differ.append((*path, key, value))

    assert is_read(name, document)
    assert fits(name, document)
    assert differ == []


@pytest.mark.parametrize("name", TABLES)
def test_an_unknown_a_missing_and_a_misplaced_key_are_refused_by_both(name: str) -> None:
    """In every table: an unknown key, a missing required key, a value in place of a table."""
    for table, path in paths(TABLES[name]):
        document = whole(TABLES[name])
        changes = [{**at(document, path), "pig": 1}]
        changes += [{**at(document, path), inner: 3} for inner in table.tables]
        for needed in (key for key, entry in table.entries.items() if entry.required):
            changes.append({k: v for k, v in at(document, path).items() if k != needed})
        for change in changes:
            changed: Any = change
            if path:
                changed = copy.deepcopy(document)
                at(changed, path[:-1])[path[-1]] = change
            assert not is_read(name, changed)
            assert not fits(name, changed)
