"""Parquet files of old readings: written, read and identified by duckdb, which needs no network."""

import hashlib
import json
import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from benchwatch.central_record.archive.row_comparison import KEY_COLUMNS, READING_COLUMNS, Row
from benchwatch.errors import FileError, UsageError
from benchwatch.quantity import printable
from benchwatch.system.installation import extra_words

if TYPE_CHECKING:
    from types import ModuleType

COLUMNS: Final = {
    "station": "VARCHAR",
    "run": "BIGINT",
    "counter": "VARCHAR",
    "nominal_hz": "VARCHAR",
    "time_base": "VARCHAR",
    "number": "BIGINT",
    "utc_s": "DOUBLE",
    "elapsed_s": "DOUBLE",
    "gate_s": "DOUBLE",
    "text": "VARCHAR",
    "resolution_hz": "DOUBLE",
    "flags": "VARCHAR",
}
"""Columns of a file, with their types: a reading, and what its offset needs of its run."""
RUN_COLUMNS: Final = ("station", "run", "counter", "nominal_hz", "time_base")
ALL_RUN_COLUMNS: Final = (
    "station", "run", "watch", "counter", "resource", "driver", "started_utc_s", "nominal_hz",
    "identity", "time_base", "gate_s", "settings", "ended_utc_s", "end_reason",
)  # fmt: skip
"""Columns of a run in the file's metadata, each run once."""
OWN_KEY: Final = "benchwatch"
"""Key of the file's metadata with what the file is, as JSON."""
FILE_VERSION: Final = 1
FILE_NAMES: Final = "readings_*.parquet"
MEMORY: Final = "1GB"
"""What duckdb may take before it uses the work folder."""
CHUNK_BYTES: Final = 1 << 25
"""Text that is handed to duckdb at once."""
ROWS_AT_ONCE: Final = 10_000
MOST_FOOTER_BYTES: Final = 1 << 27
_MAGIC: Final = b"PAR1"
_TAIL_BYTES: Final = 8
"""The length of the footer and the magic again (https://parquet.apache.org/docs/file-format/)."""
_SAYS_ARCHIVE: Final = b'{"kind": "archive", "version": '
_ORDER: Final = f"ORDER BY {', '.join(KEY_COLUMNS)}"


class ArchiveTables:
    """A duckdb that works in a folder of its own; use it in `opened_tables`.

    Args:
        duckdb: the library.
        work: an empty folder on the disk of the archive.

    Raises:
        FileError: from every method: a file can't be written or read.
    """

    def __init__(self, duckdb: "ModuleType", work: Path) -> None:
        self._work, self._errors = work, (duckdb.Error, OSError)
        self._tables = connect_duckdb(
            duckdb,
            str(work / "staged.duckdb"),
            memory_limit=MEMORY,
            temp_directory=str(work / "spilled"),
            preserve_insertion_order="true",
        )

    def close(self) -> None:
        """Close the database; its files stay."""
        self._tables.close()

    def stage(
        self, lines: Iterable[bytes | bytearray | memoryview], earlier: Sequence[Path]
    ) -> list[tuple[str, int]]:
        """Take in what is to be written; return its runs, as station and key.

        Args:
            lines: CSV records with the columns of `COLUMNS`, sorted by station, run and number;
                unquoted empty cells are null.
            earlier: files whose readings are left out.
        """
        columns = ", ".join(f"{name} {kind}" for name, kind in COLUMNS.items())
        with self._sentences(self._work):
            self._tables.execute(f"CREATE OR REPLACE TABLE staged ({columns})")
            size, chunk = 0, []
            for line in lines:
                chunk.append(bytes(line))
                size += len(line)
                if size >= CHUNK_BYTES:
                    self._stage(chunk)
                    size, chunk = 0, []
            self._stage(chunk)
            if earlier:
                known = f"{files_sql(earlier)} USING ({', '.join(KEY_COLUMNS)})"
                self._tables.execute(
                    f"CREATE OR REPLACE TABLE staged AS FROM staged ANTI JOIN {known} {_ORDER}"
                )
            found = self._tables.execute("SELECT DISTINCT station, run FROM staged ORDER BY ALL")
            return [(str(station), int(run)) for station, run in found.fetchall()]

    def write(self, path: Path, facts: dict[str, object]) -> None:
        """Write what is staged to a file, and force it to the disk.

        Args:
            path: of the new file.
            facts: what the metadata says of the file.
        """
        about = _text(json.dumps({"kind": "archive", "version": FILE_VERSION, **facts}))
        with self._sentences(path):
            # Version 2 of the format packs numbers and times: 7 bytes a reading instead of 12. The
            # highest level of zstd takes another 5 % off, for 2 s of work per million readings.
            self._tables.execute(
                f"COPY staged TO {_text(str(path))} (FORMAT parquet, PARQUET_VERSION V2, "
                f"COMPRESSION zstd, COMPRESSION_LEVEL 19, KV_METADATA {{{OWN_KEY}: {about}}})"
            )
            self._tables.execute("DROP TABLE staged")
            with path.open("r+b") as file:
                os.fsync(file.fileno())

    def rows(self, files: Sequence[Path]) -> Iterator[list[Row]]:
        """Yield the readings of files, sorted by station, run and number, portion by portion."""
        if not files:
            return
        order = _ORDER if len(files) > 1 else ""  # one file is sorted
        asked = f"SELECT {', '.join(READING_COLUMNS)} FROM {files_sql(files)} {order}"  # noqa: S608 - ours
        with self._sentences(files[-1]):
            found = self._tables.cursor().execute(asked)
        while True:
            with self._sentences(files[-1]):
                portion = found.fetchmany(ROWS_AT_ONCE)
            if not portion:
                return
            yield portion

    def count(self, file: Path) -> int:
        """Count the readings of a file."""
        with self._sentences(file):
            found = self._tables.execute(f"SELECT count(*) FROM {files_sql([file])}")  # noqa: S608 - ours
            return int(found.fetchone()[0])

    def runs(self, file: Path) -> set[tuple[Any, ...]]:
        """Return what a file says of its runs: the values of `RUN_COLUMNS`."""
        asked = f"SELECT DISTINCT {', '.join(RUN_COLUMNS)} FROM {files_sql([file])}"  # noqa: S608 - ours
        with self._sentences(file):
            return set(self._tables.execute(asked).fetchall())

    @contextmanager
    def _sentences(self, path: Path) -> Iterator[None]:
        """Raise errors of duckdb and of the disk as sentences about a file."""
        try:
            yield
        except self._errors as error:
            why = getattr(error, "strerror", None) or (str(error).splitlines() or ["unknown"])[0]
            raise FileError(
                f"{printable(path.name)} can't be written or read: {printable(why, 200)}. Nothing "
                "was noted for it; do it again when that is mended."
            ) from error

    def _stage(self, chunk: list[bytes]) -> None:
        if not chunk:
            return
        path = self._work / "staged.csv"
        with path.open("wb") as file:
            file.writelines(chunk)
        types = ", ".join(f"{name}: '{kind}'" for name, kind in COLUMNS.items())
        self._tables.execute(
            f"INSERT INTO staged SELECT * FROM read_csv({_text(str(path))}, columns = {{{types}}}, "  # noqa: S608 - ours
            "auto_detect = false, header = false, delim = ',', quote = '\"', escape = '\"', "
            "nullstr = '', allow_quoted_nulls = false)"
        )
        path.unlink()


@contextmanager
def opened_tables(work: Path) -> Iterator[ArchiveTables]:
    """Open a duckdb that works in the empty folder `work`.

    Raises:
        UsageError: duckdb is not installed.
        FileError: the folder can't be written.
    """
    duckdb = duckdb_module()
    try:
        tables = ArchiveTables(duckdb, work)
    except (duckdb.Error, OSError) as error:
        raise FileError(
            f"{printable(str(work), 300)} can't be written: {printable(str(error), 200)}."
        ) from error
    try:
        yield tables
    finally:
        tables.close()


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def archive_files(path: str) -> list[Path]:
    """Return the archive file at `path`, or all files of the archive whose folder is there."""
    place = Path(path)
    return sorted(place.glob(FILE_NAMES)) if place.is_dir() else [place]


def is_archive(path: str) -> bool:
    """Return whether `path` is of an archive file, or of a folder with some.

    No library is needed to tell.
    """
    try:
        return any(map(_is_archive_file, archive_files(path)))
    except (OSError, ValueError):  # reported when the file is then read as text
        return False


def _is_archive_file(path: Path) -> bool:
    try:
        if not path.is_file():
            return False
        with path.open("rb") as file:
            if file.read(len(_MAGIC)) != _MAGIC:
                return False
            end = file.seek(-_TAIL_BYTES, os.SEEK_END)
            length = int.from_bytes(file.read(4), "little")
            if file.read(len(_MAGIC)) != _MAGIC or not 0 < length <= min(end, MOST_FOOTER_BYTES):
                return False
            file.seek(end - length)
            return _SAYS_ARCHIVE in file.read(length)
    except OSError:
        return False


def duckdb_module() -> "ModuleType":
    """Import and return duckdb.

    Raises:
        UsageError: it is not installed.
    """
    try:
        import duckdb  # noqa: PLC0415 - an extra
    except ImportError as error:
        raise UsageError(
            f"archives are Parquet files, which need the library duckdb: {extra_words('record')}."
        ) from error
    return duckdb


def connect_duckdb(duckdb: "ModuleType", database: str, **settings: str) -> Any:
    """Open a duckdb that fetches nothing from the network."""
    fixed = {"autoinstall_known_extensions": "false", "autoload_known_extensions": "false"}
    return duckdb.connect(database, config={**fixed, **settings})


def files_sql(files: Sequence[Path], function: str = "read_parquet") -> str:
    """Return files as SQL reads them; no character of a name is taken for a pattern."""
    names = ("".join(f"[{c}]" if c in "[*?" else c for c in str(file)) for file in files)
    return f"{function}([{', '.join(map(_text, names))}])"


def _text(text: str) -> str:
    """Return a text as SQL writes it."""
    return "'" + text.replace("'", "''") + "'"
