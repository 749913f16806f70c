"""The configuration file and the environment: what is read, what is refused, what comes first."""

import json
import re
import tomllib
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator
from textual.keys import _character_to_key

from benchwatch.config_tables import WrongValue
from benchwatch.config_tables.json_schema import json_schema
from benchwatch.configuration import (
    KeyName,
    configuration_table,
    load_configuration,
    read_key_name,
    variable_of,
)
from benchwatch.configuration.configuration_draft import configuration_draft
from benchwatch.configuration.configuration_keys import SETTINGS
from benchwatch.errors import BenchwatchError, FileError, UsageError
from benchwatch.screen.key_changes import actions_by_id
from benchwatch.screen.views.view_list import VIEWS

STRICT = configuration_table(actions_by_id(VIEWS))


def loaded(tmp_path: Path, text: str, **environ: str):
    """Load a file with this text, with the screen's actions."""
    path = tmp_path / "config.toml"
    path.write_text(text, encoding="utf-8")
    return load_configuration(environ, table=STRICT, path=path)


def test_every_setting_says_where_it_comes_from(tmp_path):
    """A variable comes before the file; a setting that stands nowhere has no value."""
    found = loaded(tmp_path, 'theme = "light"\nbell = true\n', BENCHWATCH_BELL="off")

    assert (found.value("theme"), found.value("bell")) == ("light", False)
    assert found.source("theme") == str(tmp_path / "config.toml")
    assert found.source("bell") == "BENCHWATCH_BELL"
    assert (found.value("tolerance"), found.source("tolerance")) == (None, "")


def test_an_empty_variable_is_not_set(tmp_path):
    """An empty variable leaves the file's value."""
    found = loaded(tmp_path, "bell = false\n", BENCHWATCH_BELL="")

    assert found.value("bell") is False


def test_a_bench_begins_at_the_folder_of_the_file(tmp_path):
    """A relative path in the file begins at its folder, one with ~ at the home."""
    near = loaded(tmp_path, 'bench = "mine/bench.toml"\n')
    home = loaded(tmp_path, 'bench = "~/bench.toml"\n')

    assert near.value("bench") == tmp_path / "mine" / "bench.toml"
    assert home.value("bench") == Path.home() / "bench.toml"


def test_without_a_file_nothing_is_set(tmp_path):
    """The usual file need not be there; one that a variable names must be."""
    usual = load_configuration({"XDG_CONFIG_HOME": str(tmp_path)}, path=None)

    assert not usual.settings
    with pytest.raises(FileError, match="can't be read"):
        load_configuration({"BENCHWATCH_CONFIG": str(tmp_path / "none.toml")})


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("bel = true\n", "unknown key 'bel'; did you mean 'bell'?"),
        ('bell = "no"\n', "bell: expected true or false"),
        ('tolerance = "50 mHz"\n', "tolerance: "),
        ('tolerance = "-5 ppb"\n', "must be above zero"),
        ('settle = "1 ppb"\n', "over which time"),
        ('theme = "lihgt"\n', 'did you mean "light"'),
        ('display_unit = "Hz"\n', "display_unit: expected one of"),
        ('bench = ""\n', "bench: expected one line of plain text"),
        ('[keys]\nnot = "k"\n', "unknown key 'not'; did you mean 'note'?"),
        ("[keys]\nnote = 1\n", "keys.note: expected a key in quotes"),
        ("[keys]\nnote = []\n", "keys.note: expected a key in quotes"),
        ('[keys]\nnote = "7"\n', "a digit shows a view"),
        ('[keys]\nnote = "spcae"\n', "did you mean Space?"),
        ('[keys]\nnote = "Enter"\n', "no key of that name that can be used"),
        ('[keys]\nnote = "Ctrl-C"\n', "no key of that name that can be used"),
        ('[keys]\nnote = "ü"\n', "plain ASCII"),
        ("keys = 3\n", "keys must be a table"),
        ("bell = \n", "is no TOML"),
        ("bell = true\nbell = false\n", "is no TOML"),
    ],
)
def test_a_wrong_setting_is_refused_with_its_place(tmp_path, text, says):
    """The sentence names the file, the key and what to write."""
    with pytest.raises(BenchwatchError, match=re.escape(says)) as refused:
        loaded(tmp_path, text)
    assert "config.toml" in str(refused.value)


@pytest.mark.parametrize("name", SETTINGS)
def test_a_wrong_variable_is_refused_by_its_name(tmp_path, name):
    """Each setting but the path can be wrong in its variable; the sentence names it."""
    variable = variable_of(name)

    with pytest.raises(UsageError, match=variable) as refused:
        loaded(tmp_path, "", **{variable: "\x1b[31m"})
    assert "\x1b" not in str(refused.value)


@pytest.mark.parametrize("name", SETTINGS)
def test_the_example_of_each_setting_can_be_used_both_ways(tmp_path, name):
    """The documented value is read from the file and, without quotes, from the variable."""
    example = SETTINGS[name].example
    given = tomllib.loads(f"value = {example}")["value"]
    in_variable = {True: "1", False: "0"}[given] if isinstance(given, bool) else given

    found = loaded(tmp_path, f"{name} = {example}\n")
    of_variable = loaded(tmp_path, "", **{variable_of(name): in_variable})

    assert found.value(name) == of_variable.value(name)


def test_the_draft_uses_nothing_and_every_line_of_it_can_be_used(tmp_path):
    """As written it sets nothing; without its signs it sets everything, and fits the schema."""
    draft = configuration_draft(STRICT)
    used = re.sub(r"^# (\w+ = |\[\w+\])", r"\1", draft, flags=re.MULTILINE)
    lines = [line for line in used.splitlines() if not line.startswith("# ")]

    as_written = loaded(tmp_path, draft)
    all_used = loaded(tmp_path, "\n".join(lines))
    tables = tomllib.loads("\n".join(lines))

    assert not as_written.settings
    assert {*SETTINGS, "keys"} == set(all_used.settings)
    Draft202012Validator(json_schema(STRICT, "Configuration file")).validate(tables)
    assert json.loads(json.dumps(tables))["keys"]["note"] == "m"


@pytest.mark.parametrize("character", [chr(code) for code in range(33, 127)])
def test_characters_have_the_names_of_the_terminal_library(character):
    """Each character of ASCII is named as the library names it (textual.keys); digits stay."""
    if character.isdigit():
        with pytest.raises(WrongValue):
            read_key_name(character)
        return

    assert read_key_name(character) == KeyName(_character_to_key(character), character)


@pytest.mark.parametrize(
    ("written", "name", "label"),
    [
        ("space", "space", "Space"),
        (" ", "space", "Space"),
        ("SHIFT-TAB", "shift+tab", "Shift-Tab"),
        ("ctrl+p", "ctrl+p", "Ctrl-P"),
        ("f12", "f12", "F12"),
        ("PgDn", "pagedown", "PgDn"),
    ],
)
def test_other_keys_have_names(written, name, label):
    """Names are read in any spelling, and shown in one."""
    assert read_key_name(written) == KeyName(name, label)
