"""The path of a journal, as a script gives it."""

from os import PathLike, fspath
from pathlib import Path

from benchwatch.central_record.record_address import is_record_address, shown_record
from benchwatch.errors import UsageError
from benchwatch.journal import default_path


def journal_path(journal: str | PathLike[str] | None) -> Path:
    """Return the path of a journal; None: that which a watch writes where none is named.

    Raises:
        UsageError: it is the address of a central record.
    """
    if journal is None:
        return default_path()
    typed = fspath(journal)
    if is_record_address(typed):
        raise UsageError(
            f"{shown_record(typed)} is a central record, and no journal. read_file reads the "
            "newest watch of its only station; the commands of Benchwatch read the rest of it."
        )
    return Path(typed)
