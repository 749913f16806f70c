"""Outlines of the commands: their options and words, without their modules, for completion.

A command's module imports what the command needs, which takes longer than somebody who presses Tab
wants to wait. So the options are also kept in a file, and the shell's completion reads that.
``python tests/kits/doc_tables_program.py`` writes it; a test says when it is out of date. A
command that is not in it is imported.
"""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import click

from benchwatch.commands.common.command_with_parts import CommandWithParts
from benchwatch.commands.common.completed_words import COMPLETED_WORDS, FILES, CompletedWords

OUTLINES: Final = Path(__file__).with_name("command_outlines.json")


def outline_of(command: click.Command) -> dict[str, Any]:
    """Return the outline of a command, and of the commands of a group."""
    outline: dict[str, Any] = {
        "help": command.get_short_help_str(100),
        "parameters": [_parameter(one) for one in command.params],
    }
    if isinstance(command, click.Group):
        outline["commands"] = {name: outline_of(one) for name, one in command.commands.items()}
    return outline


def _parameter(parameter: click.Parameter) -> dict[str, Any]:
    outline: dict[str, Any] = {"name": parameter.name, "nargs": parameter.nargs}
    custom = parameter._custom_shell_complete  # noqa: SLF001 - click has no other way to ask
    if isinstance(custom, CompletedWords):
        outline["words"] = custom.name
    elif isinstance(parameter.type, click.Choice):
        outline["choices"] = list(parameter.type.choices)
    elif isinstance(parameter.type, click.Path):
        outline["words"] = FILES.name
    if isinstance(parameter, click.Option):
        outline |= {
            "options": [*parameter.opts, *parameter.secondary_opts],
            "help": parameter.help or "",
            "is_flag": parameter.is_flag,
            "multiple": parameter.multiple,
        }
    return outline


def command_from(name: str, outline: Mapping[str, Any]) -> click.Command:
    """Make a command that does nothing, and that the shell completes like the outlined one."""
    parameters = [_made(one) for one in outline["parameters"]]
    if "commands" not in outline:
        return click.Command(
            name, params=parameters, short_help=outline["help"], context_settings=_HELP
        )
    commands = {sub: command_from(sub, one) for sub, one in outline["commands"].items()}
    has_argument = any(isinstance(one, click.Argument) for one in parameters)
    kind = CommandWithParts if has_argument else click.Group
    return kind(
        name,
        commands,
        params=parameters,
        short_help=outline["help"],
        context_settings=_HELP,
        invoke_without_command=True,
    )


_HELP: Final = {"help_option_names": ["-h", "--help"]}


def _made(outline: Mapping[str, Any]) -> click.Parameter:
    choices = outline.get("choices")
    kept: dict[str, Any] = {
        "nargs": outline["nargs"],
        "type": click.STRING if choices is None else click.Choice(choices),
        "shell_complete": COMPLETED_WORDS.get(outline.get("words", "")),
    }
    if "options" not in outline:
        return click.Argument([outline["name"]], required=False, **kept)
    if outline["is_flag"]:
        kept = {"is_flag": True}
    return click.Option(
        [outline["name"], *outline["options"]],
        multiple=outline["multiple"],
        help=outline["help"],
        **kept,
    )


def outlined_command(name: str) -> click.Command | None:
    """Return the outline of the command `name` as a command; None: there is none, or not for it."""
    try:
        outline = json.loads(OUTLINES.read_text("utf-8")).get(name)
        return None if outline is None else command_from(name, outline)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None
