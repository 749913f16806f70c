"""What readers of runs need; a journal gives it, and so does the central record of stations."""

from collections.abc import Iterator, Sequence
from types import TracebackType
from typing import Any, Protocol, Self

from benchwatch.journal.journal_reader import Portion
from benchwatch.journal.schema import JournalRun


class RunSource(Protocol):
    """Runs and their events, open for reading; a context manager.

    Every method may raise `JournalError`. `benchwatch.journal.journal_reader.JournalReader` and
    `benchwatch.central_record.run_reader.CentralRunReader` are such sources, and so is the reader
    of archive files beside the latter.
    """

    def __enter__(self) -> Self: ...

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
        /,
    ) -> None: ...

    def runs(self, last: int | None = None) -> list[JournalRun]:
        """Return the runs, oldest first; of many only the `last` ones, if that is given."""
        ...

    def was_numbered(self, number: int) -> bool:
        """Return whether a run has ever had this number here."""
        ...

    def count_readings(self, run: JournalRun) -> int:
        """Count the readings of `run`."""
        ...

    def has_readings(self, run: JournalRun) -> bool:
        """Return whether `run` has any readings."""
        ...

    def last_reading_utc_s(self, run: JournalRun) -> float | None:
        """Return the time of the newest reading of `run`, Unix seconds; None: it has none."""
        ...

    def portions(self, run: JournalRun, *, records: bool = False) -> Iterator[Portion]:
        """Yield the events of `run` in portions; records and notes only if `records` is True."""
        ...

    def notes(self, run: JournalRun, kind: str) -> list[tuple[int, str]]:
        """Return number and document of the readable notes of one kind, in the order of writing."""
        ...

    def timed_notes(
        self, run: JournalRun, kinds: Sequence[str], most: int
    ) -> list[tuple[float, str, str]]:
        """Return elapsed seconds, kind and document of the first `most` notes of some kinds."""
        ...

    def edge(self, run: JournalRun, *, last: bool = False) -> tuple[Any, Any, Any] | None:
        """Return Unix seconds, elapsed seconds and gate (0 if unknown) of the first reading.

        The values are as stored. None: the run has no readings. `last`: of the last reading.
        """
        ...

    def left_out_words(self, run: JournalRun, /) -> str:
        """Return a sentence on readings of `run` that are kept elsewhere; empty: there are none."""
        ...
