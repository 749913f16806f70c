"""The command line as it was typed, for sentences that say how to type it instead."""

from collections.abc import Sequence
from shlex import join
from typing import Final

import click

from benchwatch.central_record.record_address import is_record_address, shown_record
from benchwatch.quantity import printable

KEY: Final = "benchwatch.typed"
"""Where the words of a command line are kept, in what click's contexts have in common."""
LONGEST: Final = 400


def keep_typed(context: click.Context, words: Sequence[str]) -> None:
    """Keep the words of the command line, without the program's name."""
    context.meta[KEY] = tuple(words)


def typed_command() -> str:
    """Return the command line as typed, quoted for a shell; the command's path where not kept.

    A password in the address of a central record is left out.
    """
    context = click.get_current_context()
    words = context.meta.get(KEY)
    path = context.command_path
    if words is None:
        return printable(path, LONGEST)
    typed = [context.find_root().info_name or path, *map(_shown, words)]
    return printable(join(typed), LONGEST)


def _shown(word: str) -> str:
    option, mark, value = word.partition("=") if word.startswith("--") else ("", "", word)
    return f"{option}{mark}{shown_record(value)}" if is_record_address(value) else word
