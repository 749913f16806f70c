"""Opens the runs at a place: of a journal, or of stations in a central record or its archive."""

from dataclasses import dataclass, field
from pathlib import Path

from benchwatch.central_record.archive.archive_file import is_archive
from benchwatch.central_record.archive.archive_reader import ArchiveRunReader
from benchwatch.central_record.record_address import is_record_address, parse_record
from benchwatch.central_record.run_reader import CentralRunReader
from benchwatch.journal.journal_reader import JournalReader
from benchwatch.journal.run_source import RunSource
from benchwatch.quantity import printable


@dataclass(frozen=True, slots=True)
class RunPlace:
    """A journal, or a central record or its archive with one station or all."""

    source: str = field(repr=False)
    """Path of the journal, or of a file or folder of the archive, or the address of the record,
    which may hold a password."""
    station: str | None = None
    """The station that is meant; None: all, or a journal."""

    @property
    def is_central(self) -> bool:
        """Whether it is a central record."""
        return is_record_address(self.source)

    @property
    def shown(self) -> str:
        """Its name for people: the path, or the address without a password, and the station."""
        address = (
            parse_record(self.source).shown if self.is_central else printable(self.source, 200)
        )
        return address if self.station is None else f"{printable(self.station, 63)} in {address}"

    @property
    def name(self) -> str:
        """Its short name: that of the file, or of the station."""
        if self.is_central:
            return self.station or self.shown
        return Path(self.source).name or self.shown

    def open(self) -> RunSource:
        """Open it for reading.

        Raises:
            UsageError: a library that it needs is not installed.
            JournalError: it can't be read.
        """
        if self.is_central or is_archive(self.source):
            return self.open_stations()
        return JournalReader(Path(self.source))

    def open_stations(self) -> CentralRunReader | ArchiveRunReader:
        """Open it as a central record, or as its archive."""
        if self.is_central:
            return self.open_central()
        return ArchiveRunReader(Path(self.source), self.station)

    def open_central(self, *, wait_s: int | None = None) -> CentralRunReader:
        """Open it as a central record; `wait_s`: longest wait for its server."""
        return CentralRunReader(parse_record(self.source), self.station, wait_s=wait_s)
