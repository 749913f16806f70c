"""The tables of the README that follow from declarations; run it to write them anew.

``python tests/kits/readme_tables.py`` after a command was added or renamed.
"""

import re
from pathlib import Path

import click

from benchwatch.cli import cli
from benchwatch.commands import COMMANDS

README = Path(__file__).parents[2] / "README.md"


def commands_table() -> str:
    """Return a row for each command and for each command of a group, as ``journal archive``."""
    rows = ["| command | what it does |", "|---|---|"]
    with click.Context(cli, info_name="benchwatch") as context:
        for name, about in COMMANDS.items():
            command = cli.get_command(context, name)
            assert command is not None
            group = command.commands if isinstance(command, click.Group) else {}
            if not isinstance(command, click.Group) or command.invoke_without_command:
                rows.append(_row(name, command, about))
            rows += [
                _row(f"{name} {sub}", one, one.get_short_help_str(200))
                for sub, one in group.items()
            ]
    return "\n".join(rows)


def _row(words: str, command: click.Command, about: str) -> str:
    with click.Context(command, info_name=words) as context:
        arguments = [
            argument.make_metavar(context)
            for argument in command.params
            if isinstance(argument, click.Argument)
        ]
    return f"| `{' '.join([words, *arguments])}` | {about} |"


def table_after(heading: str, text: str) -> re.Match[str]:
    """Return the first table after `heading`."""
    found = re.compile(r"(?:^\|.*\n)+", re.MULTILINE).search(text, text.index(heading))
    assert found is not None
    return found


def main() -> None:
    """Write the tables into the README."""
    text = README.read_text(encoding="utf-8")
    old = table_after("## Commands", text)
    text = f"{text[: old.start()]}{commands_table()}\n{text[old.end() :]}"
    README.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
