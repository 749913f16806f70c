"""How far a recorded file reaches, found by reading through it a piece at a time."""

import math
from collections.abc import Iterator
from typing import Literal

from benchwatch.errors import BenchwatchError, FileError
from benchwatch.recording.assembly import Assembly, Stated
from benchwatch.recording.file_reader import sources
from benchwatch.recording.recorded_run import Column, Recording
from benchwatch.recording.rows import Round, Track
from benchwatch.recording.text import shown_name


class Extent:
    """Reads a file to its end without keeping its readings.

    Attributes:
        last_s: Time of the last reading found so far, in the file's own seconds; -inf before one.
        readings: How many were found so far.
        state: ``so far`` until the whole file was read; ``broken`` where it can't be read on.
        error: What is wrong with it there; None otherwise.

    Args:
        path: of the file, which is read anew by whoever else reads it.
        stated: what the caller says of it.
        column: what the numbers are, where the file does not say.

    Raises:
        FileError: the file is of no form that is known, or empty.
    """

    def __init__(self, path: str, stated: Stated, *, column: Column | None = None) -> None:
        self.last_s, self.readings = -math.inf, 0
        self.state: Literal["so far", "whole", "broken"] = "so far"
        self.error: BenchwatchError | None = None
        self._name, self._stated = shown_name(path), stated
        self._assemblies: dict[Track, Assembly] = {}
        self._notes: list[str] = []
        self._rounds = _in_turn(sources(path, column, stated.interval_s))

    def read_on(self) -> None:
        """Read a piece more, some thousands of rows."""
        if self.state != "so far":
            return
        try:
            together = next(self._rounds, None)
            if together is None:
                self._end()
                return
            for track, rows in together:
                if track not in self._assemblies:
                    self._assemblies[track] = Assembly(track, self._stated)
                for piece in self._assemblies[track].take(rows):
                    self._see(piece.time_s.tolist())
                self._notes += self._assemblies[track].told()
        except BenchwatchError as error:
            self.state, self.error = "broken", error

    def outlines(self) -> list[Recording]:
        """Return what is known of each counter found so far, without its readings."""
        return [one.outline() for one in self._assemblies.values() if one.begun]

    def told(self) -> list[str]:
        """Return the sentences on what was assumed, left out or odd so far, and forget them."""
        notes, self._notes = self._notes, []
        return notes

    def _end(self) -> None:
        if not self._assemblies:
            raise FileError(f"{self._name} holds no readings, only a header or notes.")
        for assembly in self._assemblies.values():
            for piece in assembly.end():
                self._see(piece.time_s.tolist())
            self._notes += assembly.told_at_end()
        self.state = "whole"

    def _see(self, times_s: list[float]) -> None:
        self.readings += len(times_s)
        if times_s:
            self.last_s = max(self.last_s, times_s[-1])


def _in_turn(streams: list[Iterator[Round]]) -> Iterator[Round]:
    """Give a piece of each stream in turn, so that every counter is met early."""
    while streams:
        for stream in list(streams):
            together = next(stream, None)
            if together is None:
                streams.remove(stream)
            else:
                yield together
