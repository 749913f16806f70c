"""The contents and the size of a journal."""

import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from benchwatch.errors import JournalError
from benchwatch.journal.journal_file import check_kind, log_path, uri
from benchwatch.journal.schema import check_owner
from benchwatch.journal.sqlite_errors import sentence


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalContents:
    """Numbers of a journal's rows, and sizes of its files; times are Unix seconds."""

    path: Path
    file_bytes: int
    log_bytes: int
    """Size of the write-ahead log beside the file."""
    unused_bytes: int
    """Bytes of the file's unused pages."""
    disk_free_bytes: int
    watches: int
    """Program starts that have a run in the journal."""
    runs: int
    unended: int
    """Runs without an end: still being watched, or killed."""
    readings: int
    gaps: int
    records: int
    oldest_utc_s: float | None
    """Start of the first run."""
    newest_utc_s: float | None
    """Time of the newest reading."""
    damage: str | None
    """Damage that SQLite reports; None: none found."""
    others: tuple[Path, ...]
    """Related files in the folder: damaged journals set aside, and backlogs written elsewhere."""


def read_contents(path: Path) -> JournalContents:
    """Read the contents of the journal at `path`, which other programs may write meanwhile.

    Raises:
        JournalError: there is no journal, or it can't be read.
    """
    if not path.exists():
        raise JournalError(f"there is no journal at {path} yet: benchwatch watch begins one.")
    check_kind(path)
    try:
        with closing(sqlite3.connect(uri(path), uri=True, timeout=5.0)) as reader:
            return _survey(path, reader)
    except sqlite3.Error as error:
        raise JournalError(f"{sentence(path, error)}.") from error


def _survey(path: Path, reader: sqlite3.Connection) -> JournalContents:
    def one(query: str) -> int:
        return int(reader.execute(query).fetchone()[0])

    owner, version = one("PRAGMA application_id"), one("PRAGMA user_version")
    check_owner(path, owner, version, empty=False)
    checked = reader.execute("PRAGMA quick_check(1)").fetchone()[0]
    (oldest,) = reader.execute("SELECT min(started_utc_s) FROM runs").fetchone()
    newest = None
    damage = None if checked == "ok" else str(checked)
    readings = gaps = records = 0
    if damage is None:
        readings, gaps, records = (
            one(f"SELECT count(*) FROM {table}")  # noqa: S608 - ours
            for table in ("readings", "gaps", "records")
        )
        newest = _newest(reader)
    file, log = path.resolve(), log_path(path, "-wal")
    return JournalContents(
        path=path,
        file_bytes=file.stat().st_size,
        log_bytes=log.stat().st_size if log.exists() else 0,
        unused_bytes=one("PRAGMA freelist_count") * one("PRAGMA page_size"),
        disk_free_bytes=shutil.disk_usage(file.parent).free,
        watches=one("SELECT count(DISTINCT watch) FROM runs"),
        runs=one("SELECT count(*) FROM runs"),
        unended=one("SELECT count(*) FROM runs WHERE ended_utc_s IS NULL"),
        readings=readings,
        gaps=gaps,
        records=records,
        oldest_utc_s=oldest,
        newest_utc_s=newest,
        damage=damage,
        others=tuple(sorted(
            name
            for word in ("left", "damaged")
            for name in file.parent.glob("*.db")
            if name.name.startswith(f"{file.stem}-{word}-")
        )),
    )  # fmt: skip


def _newest(reader: sqlite3.Connection) -> float | None:
    """Return the time of the newest reading, from the last reading of each run."""
    times = [
        reader.execute(
            "SELECT utc_s FROM readings WHERE run = ? ORDER BY number DESC LIMIT 1", run
        ).fetchone()
        for run in reader.execute("SELECT run FROM runs").fetchall()
    ]
    return max((utc_s for time in times if time for utc_s in time), default=None)
