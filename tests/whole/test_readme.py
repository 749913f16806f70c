"""README and docs name all that the program has: commands, options, keys, JSON keys, flags."""

import json
import re
from pathlib import Path
from typing import get_args

import click
import doc_tables_program
import pytest
from pipeline_kit import reading

from benchwatch.cli import cli
from benchwatch.estimate.results import Numbers
from benchwatch.line_output import EndOfRun, json_line
from benchwatch.reading import Event, Flag, Gap, Mark, Record
from benchwatch.screen.views.view_list import VIEWS

TOP = Path(__file__).parents[2]
PAGES = {
    path.relative_to(TOP).as_posix(): path.read_text(encoding="utf-8")
    for path in (TOP / "README.md", *sorted((TOP / "docs").glob("*.md")))
}
"""The text of each page for users, by its path."""
TEXT = "\n".join(PAGES.values())
OF_OTHERS = {"--quiet", "--upgrade", "--editable", "--group", "--dist", "--strict"}
"""Options of pip, pytest and mypy in README and docs."""


def keys_of_lines() -> dict[str, str]:
    """Return what the table of the JSON lines has in its second column, by its first."""
    table = doc_tables_program.table_after("# The JSON lines", PAGES["docs/lines.md"])
    cells = [row.strip("|").split("|") for row in table[0].splitlines()[2:]]
    return {row[0].strip(): row[1].strip() for row in cells}


def commands_of(group: click.Group) -> dict[str, click.Command]:
    """Return all commands, those of groups as ``journal archive``."""
    found = {}
    with click.Context(group) as context:
        for name in group.list_commands(context):
            command = group.get_command(context, name)
            assert command is not None
            found[name] = command
            if isinstance(command, click.Group):
                found |= {f"{name} {sub}": one for sub, one in commands_of(command).items()}
    return found


@pytest.mark.parametrize("table", doc_tables_program.TABLES, ids=lambda one: one.write.__name__)
def test_the_tables_are_those_of_the_declarations(table: doc_tables_program.DocTable) -> None:
    """Each table is as ``python tests/kits/doc_tables_program.py`` writes it."""
    text = PAGES[f"docs/{table.page}"]

    assert doc_tables_program.table_after(table.above, text)[0].strip() == table.write()


def test_every_command_that_prints_data_has_lines_for_programs() -> None:
    """``--json`` is an option of each but those whose output is a file for another program."""
    other = {"bench init", "completion", "config check", "config init", "export", "manual"}
    without = {
        name
        for name, command in commands_of(cli).items()
        if not any("--json" in parameter.opts for parameter in command.params)
        and not name.startswith("plot ")
        and not (isinstance(command, click.Group) and not command.invoke_without_command)
    }

    assert without == other


def test_every_option_in_the_text_exists() -> None:
    """Each option in README and docs is an option of a command."""
    options = {
        name
        for command in commands_of(cli).values()
        for parameter in command.params
        for name in (*parameter.opts, *parameter.secondary_opts)
    }

    assert set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", TEXT)) - OF_OTHERS <= options | {"--help"}


def test_every_key_of_the_screen_is_in_the_text() -> None:
    """Each key is in the docs by its name on the screen, in a pair or alone."""
    names = {
        name
        for key in VIEWS.keys
        for name in (key.label.split("/") if len(key.label) > 1 else [key.label])
    }
    missing = [
        name
        for name in sorted(names)
        if f"`{name}`" not in TEXT and (len(name) == 1 or re.search(rf"\b{name}\b", TEXT) is None)
    ]

    assert missing == []


@pytest.mark.parametrize(
    "event",
    [
        reading(1),
        Gap(counter="main", utc_s=0.0, elapsed_s=1.0, lasted_s=2.0, reason="no reply"),
        Mark(counter="main", utc_s=0.0, elapsed_s=1.0, text="lid off"),
        Record(counter="main", utc_s=0.0, elapsed_s=1.0, kind="as found", document="{}"),
        EndOfRun(1, 0, "count reached"),
    ],
    ids=lambda event: type(event).__name__,
)
def test_the_json_keys_are_those_of_the_table(event: Event | EndOfRun) -> None:
    """The table has every key of every kind of line, and no other."""
    written = json.loads(json_line(event, Numbers()))
    keys = keys_of_lines()[f"`{written.pop('kind')}`"]

    assert set(re.findall(r"`(\w+)`", keys)) == set(written)


def test_every_flag_is_explained() -> None:
    """The page explains exactly the flags that exist, beside the table of the JSON lines."""
    (said,) = re.findall(r"`flags` holds any of (.*?)\n\n", PAGES["docs/lines.md"], re.DOTALL)

    assert set(re.findall(r"`([a-z-]+)`", said)) == set(get_args(Flag))
