"""Where a file goes that is written from the screen."""

import os.path
from pathlib import Path

from benchwatch.errors import FileError, UsageError
from benchwatch.quantity import printable
from benchwatch.system.file_names import home_path


def typed_place(typed: str, folder: Path, *, elsewhere: bool, what: str) -> Path:
    """Return the full path that was typed; relative ones count from `folder`.

    Args:
        typed: a path; not empty.
        folder: where files go that are typed without a folder.
        elsewhere: whether whoever typed it may be at another computer: then only a name will do.
        what: what the file is, with its article.

    Raises:
        UsageError: it has a folder, and was typed by somebody at another computer.
    """
    if elsewhere and (typed != Path(typed).name or typed[0] == "~"):
        raise UsageError(
            f"from a page {what} goes into {printable(str(folder), 200)}: type a name without a "
            "folder."
        )
    path = folder / home_path(typed)
    return Path(os.path.normpath(path.absolute()))  # the folder need not be there yet


def make_folder(folder: Path, example: str) -> None:
    """Make the folder of reports where it is not there; `example` names another place.

    Raises:
        FileError: it can't be made.
    """
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise FileError(
            f"the folder {printable(str(folder), 200)} can't be made: {error.strerror}. "
            f"Type another place, such as: {example}"
        ) from error
