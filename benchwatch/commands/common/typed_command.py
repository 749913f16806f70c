"""The command line as it was typed, for sentences that say how to type it instead."""

from collections.abc import Sequence
from shlex import join
from typing import Final

import click

from benchwatch.quantity import printable

KEY: Final = "benchwatch.typed"
"""Where the words of a command line are kept, in what click's contexts have in common."""
LONGEST: Final = 400


def keep_typed(context: click.Context, words: Sequence[str]) -> None:
    """Keep the words of the command line, without the program's name."""
    context.meta[KEY] = tuple(words)


def typed_command() -> str:
    """Return the command line as typed, quoted for a shell; the command's path where not kept."""
    context = click.get_current_context()
    words = context.meta.get(KEY)
    path = context.command_path
    return printable(
        path if words is None else join([context.find_root().info_name or path, *words]), LONGEST
    )
