"""The schema of the JSON lines: it is valid, complete, and refuses what is no such line."""

import copy
import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from api_kit import write_station_run, write_visit
from command_kit import Command, command_in
from line_schema_kit import held

import benchwatch
from benchwatch.commands.common.schema_list import SCHEMA_TITLES
from benchwatch.journal import default_path


@pytest.fixture
def command(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Command:
    """Run a command in this process, with a data folder of the test's own."""
    return command_in(capsys, monkeypatch, tmp_path)


DOCUMENTED = {"kind": "reading", "counter": "main", "time": "2031-05-04T10:20:30.500Z",
    "elapsed_s": 12.5, "gate_s": 1.0, "frequency_hz": 10000000.0231, "offset_hz": 0.0231,
    "offset": 2.31e-09, "estimate": {"offset": 2.28e-09, "u": 1.1e-10, "readings": 14,
    "span_s": 14.0}, "drift": {"per_s": -1.2e-13, "u": 3.0e-14, "span_s": 120.0}, "nudge": None,
    "rest": None, "settle": None, "tolerance": {"limit": 5e-09, "inside": True}, "flags": [],
    "text": "10000000.0231", "correction": None, "dial_hz": None, "not_on_disk": 0,
}  # fmt: skip
"""A line as the documentation shows it."""


@pytest.mark.parametrize("name", SCHEMA_TITLES)
def test_each_printed_schema_is_a_valid_one(command: Command, name: str) -> None:
    """By the metaschema of JSON Schema, draft 2020-12."""
    done = command("schema", name)

    assert done.code == 0
    jsonschema.Draft202012Validator.check_schema(json.loads(done.out))


def test_all_schemas_are_listed(command: Command) -> None:
    """For people, and as JSON lines; another name is refused with the names that there are."""
    assert all(f"benchwatch schema {name}" in command("schema").out for name in SCHEMA_TITLES)
    assert [line["name"] for line in command("schema", "--json").lines] == list(SCHEMA_TITLES)
    refused = command("schema", "pig")
    assert refused.code == 2
    assert "lines" in refused.err


def test_every_line_of_the_commands_fits(command: Command, tmp_path: Path) -> None:
    """Replay with limits, the deviations, an export, and a journal with a gap and notes."""
    path = str(write_station_run(tmp_path))
    write_visit(default_path())
    limits = ("--tolerance", "5ppb", "--settle", "1ppb/1min")
    lines = command("replay", "--json", *limits, path).lines
    lines += command("replay", "--json", "--visit", "1").lines
    lines += command("stability", "--json", "--deviations", "all", path).lines
    lines += command("export", path, "--out", "-", "--form", "jsonl").lines
    kinds = {line["kind"] for line in lines}

    assert kinds == {"reading", "gap", "mark", "stability", "end"}
    validator = jsonschema.Draft202012Validator(benchwatch.line_schema())
    for line in lines[::50]:
        validator.validate(line)


@pytest.mark.parametrize("key", sorted(DOCUMENTED))
def test_a_line_without_a_key_is_refused(key: str) -> None:
    """Each key of the contract is required."""
    validator = jsonschema.Draft202012Validator(benchwatch.line_schema())
    line: dict[str, Any] = copy.deepcopy(DOCUMENTED)
    assert validator.is_valid(line)
    del line[key]

    assert not validator.is_valid(line)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("frequency_hz", "10000000.0231"),
        ("time", "yesterday"),
        ("flags", ["pig"]),
        ("estimate", {"offset": 1e-9}),
        ("settle", {"state": "tired"}),
        ("gate_s", -1.0),
        ("kind", "pig"),
    ],
)
def test_a_line_with_a_wrong_value_is_refused(key: str, value: object) -> None:
    """Types, words and signs are part of the contract."""
    validator = jsonschema.Draft202012Validator(benchwatch.line_schema())

    assert not validator.is_valid({**DOCUMENTED, key: value})


def test_other_keys_are_allowed_to_readers_and_refused_in_the_tests_of_this_version() -> None:
    """A later version may add keys; this one adds none without listing it."""
    line = {**DOCUMENTED, "humidity": 40}

    assert jsonschema.Draft202012Validator(benchwatch.line_schema()).is_valid(line)
    with pytest.raises(jsonschema.ValidationError, match="humidity"):
        held(line)
