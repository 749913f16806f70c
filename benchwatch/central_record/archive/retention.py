"""Drops old days from the record, of which every reading is in an archive file.

The files are read and compared with the record row by row. Then writers are kept out for the
moment of the drop, in which the partition must still be what was compared: as many rows, and none
written since. A reading that comes in between makes the day stay until it is archived too. With
the drop is noted which numbers the files have, so that the keeper tells late readings from others.
"""

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Final

from benchwatch.central_record.archive.archive_file import ArchiveTables, opened_tables, sha256_of
from benchwatch.central_record.archive.archived_days import (
    NotedFile,
    RecordDay,
    count_readings,
    noted_files,
    old_days,
    one_view,
    only_one,
)
from benchwatch.central_record.archive.archiving import DayDone, compare_with_record
from benchwatch.central_record.dropped_numbers import note_numbers
from benchwatch.errors import FileError, UsageError
from benchwatch.quantity import how_many, printable

if TYPE_CHECKING:
    from psycopg import Connection

LOCK_WAIT: Final = "2s"
"""How long others may be kept waiting while the lock is waited for."""
TRIES: Final = 5


def drop_archived(
    connection: "Connection[Any]", folder: Path | None, cutoff: datetime
) -> Iterator[DayDone]:
    """Drop the partition of every archived day that ended before `cutoff`, oldest first.

    The partition of other dates stays.

    Args:
        connection: to the record, committing each statement; its role owns the tables.
        folder: where the archive files are now; None: where they were written.
        cutoff: a moment with a zone.

    Raises:
        UsageError: the role may not, or another program archives or drops.
        FileError: a file can't be read.
        psycopg.Error: from the record.
    """
    with (
        TemporaryDirectory(prefix="benchwatch-") as work,
        opened_tables(Path(work)) as tables,
        only_one(connection),
    ):
        _check_owner(connection)
        for day in old_days(connection, cutoff, other=False):
            yield _drop(connection, tables, folder, day)


def _check_owner(connection: "Connection[Any]") -> None:
    """Refuse a role that may not drop, before files are read for nothing.

    Raises:
        UsageError: so it is.
    """
    found = connection.execute(
        "SELECT pg_has_role(relowner, 'USAGE') FROM pg_class "
        "WHERE oid = 'benchwatch.readings'::regclass"
    ).fetchone()
    if not (found and found[0]):
        raise UsageError(_not_the_owner())


def _drop(
    connection: "Connection[Any]", tables: ArchiveTables, folder: Path | None, day: RecordDay
) -> DayDone:
    with one_view(connection):
        since = connection.execute("SELECT pg_snapshot_xmin(pg_current_snapshot())::text")
        oldest = int(str(since.fetchone()[0])) % 2**32  # type: ignore[index]
        noted = noted_files(connection, day.day)
        rows = count_readings(connection, day)
        if rows and not noted:
            return DayDone(day, trouble=f"{day.words}: it is not archived, and stays.")
        known = sum(one.rows for one in noted)
        if rows > known:
            late = how_many(rows - known, "reading")
            return DayDone(day, trouble=f"{day.words}: {late} came late: archive the day again.")
        trouble = _files_trouble(noted, folder)
        if not trouble:
            files = [one.path(folder) for one in noted]
            try:
                found = compare_with_record(connection, tables, day, files)
                trouble = "" if found.is_equal else f"the files differ: {found.words()}"
            except FileError as error:
                trouble = str(error).rstrip(".")
        if trouble:
            return DayDone(day, trouble=f"{day.words}: it stays in the record; {trouble}.")
    for _ in range(TRIES):
        state = _drop_unchanged(connection, day, rows, oldest)
        if state is not None:
            break
    if state:
        return DayDone(day, rows=rows)
    why = "the record is busy" if state is None else "something was written for it just now"
    return DayDone(day, trouble=f"{day.words}: it stays for now; {why}. Do it again.")


def _files_trouble(noted: list[NotedFile], folder: Path | None) -> str:
    """Return what is wrong with the files of a day; empty: they are those that were noted."""
    for one in noted:
        path = one.path(folder)
        shown = printable(str(path), 300)
        if not path.is_file():
            return f"its file {shown} is not there: say where it is now with --archive DIR"
        if sha256_of(path) != one.sha256:
            return f"its file {shown} is not as it was written (SHA-256): restore it from a copy"
    return ""


def _drop_unchanged(
    connection: "Connection[Any]", day: RecordDay, rows: int, oldest: int
) -> bool | None:
    """Drop a partition that is as it was compared, and note that; None: the lock was not got.

    Args:
        connection: to the record.
        day: the day.
        rows: rows that were compared.
        oldest: the first transaction whose rows may not have been seen then.
    """
    from psycopg import Rollback, errors  # noqa: PLC0415 - an extra

    is_unchanged = False
    try:
        with connection.transaction() as transaction:
            connection.execute("SET TRANSACTION ISOLATION LEVEL READ COMMITTED")
            connection.execute(f"SET LOCAL lock_timeout = '{LOCK_WAIT}'")
            note_numbers(connection, day.table, day.day)  # takes a while, and keeps nobody waiting
            # The parent first, as inserts lock it: the other order can end in a deadlock.
            for table in ("readings", day.table):
                connection.execute(f"LOCK TABLE ONLY benchwatch.{table} IN ACCESS EXCLUSIVE MODE")
            now = connection.execute(
                "SELECT count(*), count(*) FILTER (WHERE age(xmin) BETWEEN 0 AND "  # noqa: S608 - ours
                f"age(%s::text::xid)) FROM benchwatch.{day.table}",
                (str(oldest),),
            ).fetchone()
            is_unchanged = now == (rows, 0)
            if not is_unchanged:
                raise Rollback(transaction)
            connection.execute(f"DROP TABLE benchwatch.{day.table}")
            connection.execute(
                "UPDATE benchwatch.archived SET dropped = now(), numbers_noted = true "
                "WHERE day = %s AND dropped IS NULL",
                (day.day,),
            )
    except errors.LockNotAvailable:
        return None
    except errors.UndefinedTable:  # somebody else dropped it
        return False
    except errors.InsufficientPrivilege as error:
        raise UsageError(_not_the_owner()) from error
    return is_unchanged


def _not_the_owner() -> str:
    return (
        "only the role that owns the tables of the record may drop days: give its name in the "
        "address, as in postgresql://OWNER@HOST/DATABASE. Nothing was dropped."
    )
