"""What ``keep --archive`` and ``keep --drop-archived`` do, and their options."""

from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from benchwatch.commands.common.option_types import DURATION
from benchwatch.commands.common.output import narrate, print_json, print_text
from benchwatch.errors import FileError, UsageError
from benchwatch.quantity import how_many, printable

if TYPE_CHECKING:
    from collections.abc import Iterable

    from benchwatch.central_record.archive.archiving import DayDone
    from benchwatch.central_record.record_address import RecordAddress

ARCHIVE_AGE_S: Final = 7 * 86_400.0
"""Age of the days that are archived, where none is typed: late readings are in by then."""
SESSION: Final = {
    "statement_timeout": "0",
    "lock_timeout": "30s",
    "idle_in_transaction_session_timeout": "0",
}
"""A day is one statement, and the record waits while its file is written."""


def archive_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add ``--archive``, ``--drop-archived`` and ``--older-than``."""
    folder = click.option(
        "--archive",
        "archive_folder",
        metavar="DIR",
        type=click.Path(path_type=Path),
        help="Write each old day of readings to a Parquet file in DIR, and end.",
    )
    drop = click.option(
        "--drop-archived",
        is_flag=True,
        help="Drop old days that are whole in archive files (in DIR, or where they were written).",
    )
    age = click.option(
        "--older-than",
        type=DURATION,
        help="What is old: days that ended longer ago; 7d for --archive.",
    )
    return folder(drop(age(command)))


def keep_archive(
    record: "RecordAddress",
    folder: Path | None,
    older_than_s: float | None,
    *,
    drop: bool,
    as_json: bool,
) -> None:
    """Archive old days, drop archived ones, or both, in this order; print what was done.

    Args:
        record: address of the central record.
        folder: of the archive; None: only days are dropped.
        older_than_s: age of the days in seconds; None: that of an archive.
        drop: whether archived days are dropped.
        as_json: whether what was done is printed as JSON lines.

    Raises:
        UsageError: no age is given for a drop, or see `archive` and `drop_archived`.
        FileError: a file can't be written or read, or a day was left as it was.
        RecordAway: the record does not answer.
        RecordError: the record refuses.
    """
    if drop and older_than_s is None:
        raise UsageError("say which days are dropped from the record: --older-than 90d.")
    from benchwatch.central_record.archive.archiving import archive  # noqa: PLC0415 - needs an extra
    from benchwatch.central_record.archive.retention import drop_archived  # noqa: PLC0415 - needs an extra
    from benchwatch.central_record.record_connection import (  # noqa: PLC0415 - needs an extra
        check_schema,
        connect,
        record_errors,
    )

    age_s = ARCHIVE_AGE_S if older_than_s is None else older_than_s
    cutoff = datetime.now(UTC) - timedelta(seconds=age_s)
    left = 0
    with (
        closing(connect(record, "benchwatch keep --archive", **SESSION)) as connection,
        record_errors(record),
    ):
        check_schema(connection, record)
        if folder is not None:
            left += _say(archive(connection, folder, cutoff), "archived", as_json=as_json)
        if drop:
            left += _say(drop_archived(connection, folder, cutoff), "dropped", as_json=as_json)
    if left:
        raise FileError(f"{how_many(left, 'day')} of readings stayed as above.")


def _say(days: "Iterable[DayDone]", kind: str, *, as_json: bool) -> int:
    """Print what became of days as it is done; return how many were left as they were."""
    count = left = 0
    for done in days:
        count += 1
        if done.trouble:
            left += 1
            narrate(done.trouble)
        elif as_json:
            print_json(
                {"kind": f"{kind}_day", "day": done.day.words, "readings": done.rows,
                 **({"file": str(done.file), "bytes": done.size} if done.file else {})}
            )  # fmt: skip
        else:
            print_text(_words(done))
    if not count:
        narrate(f"nothing to be {kind}: no day is older than that, or all were {kind} before.")
    return left


def _words(done: "DayDone") -> str:
    readings = how_many(done.rows, "reading")
    if done.file is None:
        return f"{done.day.words}: {readings} dropped from the record"
    each = done.size / max(done.rows, 1)
    return (
        f"{done.day.words}: {readings} in {printable(str(done.file), 300)}, {each:.2g} bytes each"
    )
