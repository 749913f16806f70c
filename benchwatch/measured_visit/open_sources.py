"""Keeps the journals and central records of a visit open while their runs are read."""

from contextlib import ExitStack
from types import TracebackType
from typing import Self

from benchwatch.central_record.run_place import RunPlace
from benchwatch.journal.run_source import RunSource


class OpenSources:
    """Each place that was asked for, opened once; a context manager that closes all."""

    def __init__(self) -> None:
        self._stack = ExitStack()
        self._open: dict[RunPlace, RunSource] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self._stack.close()

    def of(self, place: RunPlace) -> RunSource:
        """Return the open source of runs at a place.

        Raises:
            JournalError: it can't be read.
        """
        if place not in self._open:
            self._open[place] = self._stack.enter_context(place.open())
        return self._open[place]
