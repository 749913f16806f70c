"""Files that a command writes for a person, who may have one of that name already."""

from pathlib import Path

from benchwatch.commands.common.output import note
from benchwatch.errors import FileError, UsageError


def refuse_existing(path: Path, *, force: bool) -> None:
    """Do not write over what is there, unless that was asked for.

    Raises:
        UsageError: the file exists.
    """
    if path.exists() and not force:
        raise UsageError(f"{path} exists. Choose another name, or add --force to write over it.")


def write(path: Path, text: str) -> None:
    """Write a file, and say so.

    Raises:
        FileError: it can't be written.
    """
    try:
        path.write_text(text, "utf-8")
    except OSError as error:
        raise FileError(
            f"{path} can't be written: {error.strerror}. Choose another place."
        ) from error
    note(f"{path} is written")
