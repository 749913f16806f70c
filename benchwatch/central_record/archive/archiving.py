"""Writes old days of readings to Parquet files, which are compared with the record row by row.

A file is written in a work folder, forced to the disk, compared, given its name, and then noted. A
program that is killed in between leaves a file without a note at most, and the next call compares
and notes it. A file that is noted is never changed: readings that come late for its day are a
further part, so that copies of the file and its SHA-256 stay right.
"""

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from benchwatch.central_record.archive.archive_file import (
    ALL_RUN_COLUMNS,
    RUN_COLUMNS,
    ArchiveTables,
    opened_tables,
    sha256_of,
)
from benchwatch.central_record.archive.archived_days import (
    NotedFile,
    RecordDay,
    count_readings,
    csv_lines,
    make_missing_days,
    next_part,
    note_file,
    noted_files,
    old_days,
    one_view,
    only_one,
    record_rows,
    record_runs,
)
from benchwatch.central_record.archive.row_comparison import Comparison, compare_rows
from benchwatch.errors import FileError, UsageError
from benchwatch.quantity import how_many, printable
from benchwatch.system.file_locks import lock_file, open_folder_to_lock
from benchwatch.system.file_names import replace_file, sync_folder

if TYPE_CHECKING:
    from psycopg import Connection

WORK_FOLDER: Final = ".benchwatch-archive"
"""Folder in that of the archive for what is not ready; it is emptied by every call."""


@dataclass(frozen=True, slots=True)
class DayDone:
    """What became of a day, or of a part of it."""

    day: RecordDay
    rows: int = 0
    """Readings that are in the file now, or that were dropped."""
    file: Path | None = None
    """The file that was noted."""
    size: int = 0
    """Bytes of it."""
    trouble: str = ""
    """Sentence on why nothing was done."""


def archive(connection: "Connection[Any]", folder: Path, cutoff: datetime) -> Iterator[DayDone]:
    """Write every day that ended before `cutoff` to a file in `folder`, oldest first.

    Args:
        connection: to the record, committing each statement; its role reads, and notes files.
        folder: of the archive, which must be there.
        cutoff: a moment with a zone.

    Raises:
        UsageError: there is no such folder, or another program archives.
        FileError: a file can't be written or read.
        psycopg.Error: from the record.
    """
    folder = folder.resolve()
    with (
        work_folder(folder) as work,
        opened_tables(work) as tables,
        only_one(connection),
    ):
        writer = _PartWriter(connection, folder, work, tables)
        make_missing_days(connection)
        for day in old_days(connection, cutoff):
            done: DayDone | None = DayDone(day)
            while done is not None and not done.trouble:  # a file taken over may lack readings
                with one_view(connection):
                    done = writer.write(day)
                if done is not None:
                    yield done


@contextmanager
def work_folder(folder: Path) -> Iterator[Path]:
    """Make an empty folder in that of the archive, which no other program uses meanwhile.

    Raises:
        UsageError: the archive's folder is missing, or another program writes into it.
        FileError: it can't be written.
    """
    shown = printable(str(folder), 300)
    if not folder.is_dir():
        raise UsageError(
            f"there is no folder {shown} for the archive: make it, or mount its disk. It is not "
            "made here, as a disk that is not mounted would be filled elsewhere."
        )
    work = folder / WORK_FOLDER
    handle = open_folder_to_lock(folder)
    try:
        if handle is not None:
            _lock(handle, shown)
        try:
            shutil.rmtree(work, ignore_errors=True)
            work.mkdir()
        except OSError as error:
            raise FileError(
                f"{shown} can't be written: {error.strerror}. Nothing was archived."
            ) from error
        yield work
    finally:
        shutil.rmtree(work, ignore_errors=True)
        if handle is not None:
            os.close(handle)


def compare_with_record(
    connection: "Connection[Any]", tables: ArchiveTables, day: RecordDay, files: list[Path]
) -> Comparison:
    """Compare all readings of files with all of a day, within `one_view`."""
    return compare_rows(tables.rows(files), record_rows(connection, day))


class _PartWriter:
    """Writes the parts of days, each within `one_view`."""

    def __init__(
        self, connection: "Connection[Any]", folder: Path, work: Path, tables: ArchiveTables
    ) -> None:
        self._connection, self._tables = connection, tables
        self._folder, self._work = folder, work

    def write(self, day: RecordDay) -> DayDone | None:
        """Write what of a day is not in a file yet; None: all is.

        Raises:
            FileError: a file can't be written or read.
        """
        noted = noted_files(self._connection, day.day)
        there, known = count_readings(self._connection, day), sum(one.rows for one in noted)
        if there == known:
            return None
        if there < known:
            return DayDone(day, trouble=_fewer(day, there, known))
        earlier = [one.path(self._folder) for one in noted]
        missing = next((file for file in earlier if not file.exists()), None)
        if missing is not None:
            return DayDone(day, trouble=_missing(day, missing, there - known))
        part = next_part(self._connection, day.day)
        path = self._folder / f"readings_{day.name}_{part}.parquet"
        trouble = (self._take_over if path.exists() else self._make)(day, part, earlier, path)
        return DayDone(day, trouble=trouble) if trouble else self._note(day, part, path)

    def _make(self, day: RecordDay, part: int, earlier: list[Path], path: Path) -> str:
        """Write a file, compare it, and give it its name; return what is wrong with it."""
        connection, tables = self._connection, self._tables
        beside = self._work / path.name
        keys = tables.stage(csv_lines(connection, day), earlier)
        runs = record_runs(connection, keys)
        about = [[run[name] for name in ALL_RUN_COLUMNS] for run in runs]
        facts = {"run_columns": ALL_RUN_COLUMNS, "runs": about}
        tables.write(beside, {"day": day.words, "part": part, **facts})
        found = compare_with_record(connection, tables, day, [*earlier, beside])
        named = {tuple(run[name] for name in RUN_COLUMNS) for run in runs}
        if not found.is_equal or tables.runs(beside) != named:
            why = found.words() or "it names other runs"
            return (
                f"{day.words}: what was written to {printable(str(path), 300)} and read back is "
                f"not what the record has ({why}). The file was removed; do it again."
            )
        try:
            replace_file(beside, path)
        except OSError as error:
            raise FileError(
                f"{printable(str(path), 300)} can't be made: {error.strerror}."
            ) from error
        return ""

    def _take_over(self, day: RecordDay, part: int, earlier: list[Path], path: Path) -> str:
        """Compare a file that is there without a note; return what is wrong with it."""
        del part
        try:
            found = compare_with_record(self._connection, self._tables, day, [*earlier, path])
            if found.is_part and self._tables.count(path):
                return ""
            why = found.words()
        except FileError as error:
            found, why = None, str(error)
        advice = "Move it away, and do it again."
        if found is not None and found.only_in_files and not found.different:
            advice = (
                "Where the record was set back, its stations send what it lacks: do it again then. "
                "Of another record it is to be moved away."
            )
        return (
            f"{day.words}: {printable(str(path), 300)} is there already, is not noted in this "
            f"record, and is not what the record has ({why.rstrip('.')}). {advice}"
        )

    def _note(self, day: RecordDay, part: int, path: Path) -> DayDone:
        """Note a file that has its name, which is brought to the disk before."""
        sync_folder(path.parent)
        rows = self._tables.count(path)
        noted = NotedFile(part, str(path), rows, sha256_of(path))
        note_file(self._connection, day.day, noted)
        return DayDone(day, rows=rows, file=path, size=path.stat().st_size)


def _lock(handle: int, shown: str) -> None:
    try:
        lock_file(handle)
    except BlockingIOError:
        raise UsageError(
            f"another program archives into {shown} just now: wait until it has ended."
        ) from None
    except OSError:
        return  # this kind of folder can't be locked; the lock in the record stays


def _fewer(day: RecordDay, there: int, known: int) -> str:
    return (
        f"{day.words}: the record holds {how_many(there, 'reading')}, and its files {known}. Some "
        "were removed from the record by hand, or it was set back; nothing was done for this day. "
        "See docs/relay.md, Archive and retention."
    )


def _missing(day: RecordDay, file: Path, late: int) -> str:
    return (
        f"{day.words}: {how_many(late, 'reading')} came late, and to write them as a further part "
        f"the file {printable(str(file), 300)} is needed, which is not there. Put it into the "
        "folder of the archive, and do it again."
    )
