"""The content of a recorded file: arrays of numbers, and their playback as readings and gaps."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Context, Decimal
from operator import itemgetter
from typing import Final, Literal

import numpy as np

from benchwatch.counter import TimeBaseSource
from benchwatch.estimate.array_types import FloatArray
from benchwatch.quantity import OFFSET_UNITS
from benchwatch.reading import (
    DEFAULT_COUNTER,
    OVERRANGE,
    SPIKE,
    UNFIT,
    Event,
    Flag,
    Gap,
    Mark,
    Reading,
    Record,
    Touch,
)

Kind = Literal["frequency_hz", "offset", "period_s", "phase_s"]
"""What the numbers in the file are; the words are the names of the columns."""

KINDS: Final[tuple[Kind, ...]] = ("frequency_hz", "offset", "period_s", "phase_s")

Column = str
"""Name of a column, one of `COLUMNS`; some hold a kind in another unit."""

PARTS: Final[Mapping[Column, int]] = {
    f"offset_{unit.short_name}": round(1 / unit.size) for unit in OFFSET_UNITS
}
"""Columns of offsets that are written in one part of so many, from the coarsest to the finest."""

COLUMNS: Final[tuple[Column, ...]] = (*KINDS, *PARTS)


def kind_of(column: Column) -> Kind:
    """Return the kind of the numbers in a column."""
    return next((kind for kind in KINDS if kind == column), "offset")


OperatorAction = str | bool | tuple[str, str]
"""What the operator did: the text of a mark; whether the tool was put on or lifted; kind and
document of a record."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingGap:
    """A time without readings, in front of the reading with index `before`."""

    before: int
    begin_s: float
    lasted_s: float
    reason: str


@dataclass(slots=True, eq=False, kw_only=True)
class ReadingBatch:
    """Consecutive readings of one counter in arrays of equal length, and what lies between."""

    kind: Kind
    nominal: Decimal | None
    time_s: FloatArray
    offset: FloatArray
    offset_hz: FloatArray
    text: Sequence[str]
    resolution_hz: float
    """Weight of the last digit written so far; 0 when unknown."""
    gate_s: FloatArray | None = None
    flags: Mapping[int, frozenset[Flag]] = field(default_factory=dict)
    corrections: Mapping[int, float] = field(default_factory=dict)
    gaps: Sequence[RecordingGap] = ()
    """Their `before` counts the readings of this batch."""
    marks: Sequence[tuple[int, float, OperatorAction]] = ()
    across_s: Mapping[int, float] = field(default_factory=dict)
    """Of a time error, by how many seconds it is further on after the gaps in front of a
    reading; after those at the end under the number of readings."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Recording:
    """A recorded run of one counter.

    Arrays have one element a reading; rows without a number are among the `gaps`. Phase
    makes one reading of two neighbouring rows, at the middle between them.
    """

    source: str
    """Name of the file, for messages."""
    kind: Kind
    time_s: FloatArray
    """The file's own seconds; since the first row where the file gives dates."""
    offset: FloatArray
    """Fractional frequency offset; nan where the counter was over its range."""
    offset_hz: FloatArray
    """Hertz, subtracted exactly; nan when no nominal is known."""
    text: tuple[str, ...]
    """The number of each row exactly as written, of the later row where two make a reading; none
    where they were not asked for."""
    nominal: Decimal | None
    """Hertz; None when neither given nor needed."""
    interval_s: float | None
    """Median time from row to row; None when there is only one."""
    resolution_hz: float = 0.0
    """Weight of the last digit written anywhere in the file; 0 when unknown."""
    gate_s: FloatArray | None = None
    """Gate time of each reading, where the file states it; nan where it does not."""
    counter: str | None = None
    """Name of the counter, where the file states it."""
    utc_start_s: float | None = None
    """Unix seconds at which `time_s` is 0; None when the file gives no dates."""
    time_base: TimeBaseSource = "unknown"
    """What counted the readings without the flag ``internal-timebase``, where the file
    states it."""
    flags: Mapping[int, frozenset[Flag]] = field(default_factory=dict)
    """Flags of the readings that have any."""
    corrections: Mapping[int, float] = field(default_factory=dict)
    """How far the time base was known to be off, for readings that were put right by that when
    they were recorded; the offsets here are as read."""
    gaps: tuple[RecordingGap, ...] = ()
    marks: tuple[tuple[int, float, OperatorAction], ...] = ()
    """What the operator did: index of the next reading, seconds, what."""
    across_s: Mapping[int, float] = field(default_factory=dict)
    """Of a time error, by how many seconds it is further on after the gaps in front of a
    reading; it runs on through them."""
    notes: tuple[str, ...] = ()
    """Sentences on what was assumed, left out or odd; for standard error."""

    def __len__(self) -> int:
        """Count the readings."""
        return len(self.time_s)

    def gates(self, rows: slice = slice(None)) -> list[float]:
        """Return the gate times stated for `rows`, each once, in order."""
        if self.gate_s is None:
            return []
        stated = self.gate_s[rows]
        return [float(gate) for gate in np.unique(stated[np.isfinite(stated)])]

    def series(self) -> FloatArray:
        """Return the offsets in order with one nan for each gap and each unfit reading.

        One nan is enough to keep every difference from bridging a gap, however long it is.
        """
        values = self.offset.copy()
        values[[row for row, flags in self.flags.items() if flags & UNFIT]] = np.nan
        return np.insert(values, [gap.before for gap in self.gaps], np.nan)

    def events(self, counter: str | None = None, gate_s: float | None = None) -> Iterator[Event]:
        """Play the file back as the readings, gaps and marks it was made of, in order.

        Args:
            counter: name of the counter; the file's own, or ``main``, when None.
            gate_s: gate the file was taken with; the file's own when None.

        Times in UTC are nan when the file gives no dates, and hertz are nan (with an empty
        text) when no nominal is known: nothing is invented.
        """
        name = counter or self.counter or DEFAULT_COUNTER
        start_s = float("nan") if self.utc_start_s is None else self.utc_start_s
        whole = ReadingBatch(
            kind=self.kind,
            nominal=self.nominal,
            time_s=self.time_s,
            offset=self.offset,
            offset_hz=self.offset_hz,
            text=self.text,
            resolution_hz=self.resolution_hz,
            gate_s=self.gate_s,
            flags=self.flags,
            corrections=self.corrections,
            gaps=self.gaps,
            marks=self.marks,
        )
        return play_batch(whole, name, start_s, gate_s)


def _action_event(action: OperatorAction, name: str, utc_s: float, at_s: float) -> Event:
    if isinstance(action, bool):
        return Touch(counter=name, utc_s=utc_s, elapsed_s=at_s, on=action)
    if isinstance(action, str):
        return Mark(counter=name, utc_s=utc_s, elapsed_s=at_s, text=action)
    kind, document = action
    return Record(counter=name, utc_s=utc_s, elapsed_s=at_s, kind=kind, document=document)


def play_batch(
    what: ReadingBatch, name: str, utc_start_s: float, gate_s: float | None = None
) -> Iterator[Event]:
    """Play readings and what lies between them, in order.

    Args:
        what: the readings.
        name: of the counter.
        utc_start_s: Unix seconds at time 0; nan when unknown.
        gate_s: gate the file was taken with; None: the one that the file states.
    """
    between: list[tuple[int, float, Event]] = [
        (gap.before, gap.begin_s, _gap(gap, name, utc_start_s)) for gap in what.gaps
    ]
    between += [
        (before, at_s, _action_event(action, name, utc_start_s + at_s, at_s))
        for before, at_s, action in what.marks
    ]
    between.sort(key=itemgetter(0, 1), reverse=True)
    gates = None if gate_s is not None or what.gate_s is None else what.gate_s.tolist()
    # Bound once: this loop runs for each row of a file.
    nominal, resolution_hz, corrections = what.nominal, what.resolution_hz, what.corrections
    texts = what.text if what.kind == "frequency_hz" else ()
    new, fill = object.__new__, Reading.__init__
    gate = gate_s
    for row, (time_s, offset, offset_hz) in enumerate(
        zip(what.time_s.tolist(), what.offset.tolist(), what.offset_hz.tolist(), strict=True)
    ):
        while between and between[-1][0] <= row:
            yield between.pop()[2]
        if gates is not None:
            gate = None if math.isnan(gates[row]) else gates[row]
        # The analysis of the played readings looks for spikes itself.
        flags = what.flags[row] - _SPIKE if row in what.flags else _NO_FLAGS
        text, frequency_hz = "", math.nan
        if texts:
            text = texts[row]
            if OVERRANGE not in flags:
                frequency_hz = float(text)
        elif nominal is not None and math.isfinite(offset_hz):
            text = f"{_WIDE.add(nominal, Decimal(repr(offset_hz))):f}"
            frequency_hz = float(text)
        # Calling the class with keywords builds a dict of them first, 0.7 us a row.
        reading = new(Reading)
        fill(
            reading,
            counter=name,
            utc_s=utc_start_s + time_s,
            elapsed_s=time_s,
            gate_s=gate,
            text=text,
            frequency_hz=frequency_hz,
            offset_hz=offset_hz,
            offset=offset,
            resolution_hz=resolution_hz,
            flags=flags,
            correction=corrections.get(row) if corrections else None,
        )
        yield reading
    while between:
        yield between.pop()[2]


_NO_FLAGS: Final[frozenset[Flag]] = frozenset()
_SPIKE: Final[frozenset[Flag]] = frozenset({SPIKE})
_WIDE: Final = Context(prec=40)


def _gap(gap: RecordingGap, name: str, start_s: float) -> Gap:
    return Gap(
        counter=name,
        utc_s=start_s + gap.begin_s,
        elapsed_s=gap.begin_s,
        lasted_s=gap.lasted_s,
        reason=gap.reason,
    )
