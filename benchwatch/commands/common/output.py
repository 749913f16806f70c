"""Output of the commands: data on standard output, narration on standard error, files."""

import json
import math
import sys
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import click

from benchwatch.commands.common.progress import set_aside
from benchwatch.errors import FileError, UsageError


def print_text(text: str) -> None:
    """Print data on standard output."""
    with set_aside():
        click.echo(text, file=sys.stdout)  # else it writes UTF-8 where the encoding is ASCII


def print_json(values: Mapping[str, Any]) -> None:
    """Print one line of strict JSON on standard output; nan and infinity become null."""
    print_text(json.dumps(_strict(values), allow_nan=False, separators=(",", ":")))


def _strict(value: Any) -> Any:
    """Return `value` with None for nan and infinity, also in mappings and lists."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: _strict(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_strict(inner) for inner in value]
    return value


def narrate(text: str) -> None:
    """Write a sentence to standard error; an error of writing it is ignored."""
    with suppress(OSError), set_aside():
        print(f"benchwatch: {text}", file=sys.stderr, flush=True)


def refuse_existing(path: Path, *, force: bool) -> None:
    """Refuse to overwrite a file, unless `force` is True.

    Raises:
        UsageError: the file exists.
    """
    if path.exists() and not force:
        raise UsageError(f"{path} exists. Choose another name, or add --force to write over it.")


def write_file(path: Path, text: str) -> None:
    """Write a file, and narrate it.

    Raises:
        FileError: the file can't be written.
    """
    try:
        path.write_text(text, "utf-8")
    except OSError as error:
        raise FileError(
            f"{path} can't be written: {error.strerror}. Choose another place."
        ) from error
    narrate(f"{path} is written")
