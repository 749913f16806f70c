"""A whole recording out of its pieces."""

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from benchwatch.recording.assembly import Assembly
from benchwatch.recording.decimals import FloatArray
from benchwatch.recording.recorded_run import Hole, Piece, Recording, Said
from benchwatch.recording.rows import Rows

if TYPE_CHECKING:
    from benchwatch.reading import Flag


class Collected:
    """The pieces of one counter.

    Args:
        assembly: makes them of rows.
    """

    def __init__(self, assembly: Assembly) -> None:
        self._assembly = assembly
        self.has_rows = False
        """Whether there was any row."""
        self._count = 0
        self._time_s, self._offset, self._offset_hz = _Parts(), _Parts(), _Parts()
        self._gate_s = _Parts()
        self._across_s: dict[int, float] = {}
        self._text: list[str] = []
        self._flags: dict[int, frozenset[Flag]] = {}
        self._corrections: dict[int, float] = {}
        self._holes: list[Hole] = []
        self._marks: list[tuple[int, float, Said]] = []
        self._resolution_hz = 0.0
        self._gated = False

    def take(self, rows: Rows) -> None:
        """Take the next rows."""
        self.has_rows = self.has_rows or len(rows) > 0
        for piece in self._assembly.take(rows):
            self._add(piece)

    def recording(self) -> Recording:
        """Put them together; nothing can be taken afterwards.

        Raises:
            FileError: as `Assembly.end`.
            UsageError: a nominal is needed and none can be guessed.
        """
        for piece in self._assembly.end():
            self._add(piece)
        assembly, track = self._assembly, self._assembly.track
        time_s = self._time_s.joined()
        offset_hz = self._offset_hz.joined()
        if assembly.stated.offsets_only:
            offset_hz = np.broadcast_to(np.nan, time_s.shape)
        interval_s = assembly.stated.interval_s or self._interval_s(time_s)
        return Recording(
            track.source,
            track.kind,
            time_s,
            self._offset.joined(),
            offset_hz,
            tuple(self._text),
            assembly.nominal,
            interval_s or assembly.interval_s,
            resolution_hz=self._resolution_hz,
            gate_s=self._gate_s.joined() if self._gated else None,
            counter=track.counter,
            utc_start_s=track.epoch_s,
            flags=self._flags,
            time_base="external" if track.external else "unknown",
            corrections=self._corrections,
            holes=tuple(self._holes),
            marks=tuple(self._marks),
            across_s=self._across_s,
            notes=tuple(assembly.told_at_end()),
        )

    def _add(self, piece: Piece) -> None:
        count = self._count
        self._time_s.add(piece.time_s)
        self._offset.add(piece.offset)
        if not self._assembly.stated.offsets_only:
            self._offset_hz.add(piece.offset_hz)
        self._text += piece.text
        if piece.gate_s is not None:
            self._gated = True
            self._gate_s.add(piece.gate_s)
        for row, step_s in piece.across_s.items():
            self._across_s[count + row] = self._across_s.get(count + row, 0.0) + step_s
        self._flags |= {count + row: flags for row, flags in piece.flags.items()}
        self._corrections |= {count + row: by for row, by in piece.corrections.items()}
        self._holes += [replace(hole, before=count + hole.before) for hole in piece.holes]
        self._marks += [(count + before, at_s, text) for before, at_s, text in piece.marks]
        self._resolution_hz = piece.resolution_hz or self._resolution_hz
        self._count += len(piece.time_s)

    def _interval_s(self, time_s: FloatArray) -> float | None:
        """Return the median step from reading to reading, those across holes left out."""
        steps = np.diff(time_s)
        holes = {hole.before - 1 for hole in self._holes if 0 < hole.before <= steps.size}
        if holes:
            steps = np.delete(steps, sorted(holes))
        return float(f"{np.median(steps):.12g}") if steps.size else None


class _Parts:
    """An array that grows by parts."""

    def __init__(self) -> None:
        self._parts: list[FloatArray] = []

    def add(self, part: FloatArray) -> None:
        """Add a part at the end."""
        self._parts.append(part)

    def joined(self) -> FloatArray:
        """Return the whole; the parts are let go."""
        whole = np.concatenate(self._parts) if self._parts else np.zeros(0)
        self._parts.clear()
        return whole
