"""A recorded run as arrays of numbers, and its playback as readings, gaps and marks."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Context, Decimal
from operator import itemgetter
from typing import Final, Literal

import numpy as np

from benchwatch.counter import TimeBaseSource
from benchwatch.estimate.array_types import FloatArray
from benchwatch.journal.trim_entries import CHECK_KIND
from benchwatch.quantity import OFFSET_UNITS
from benchwatch.reading import (
    DEFAULT_COUNTER,
    OVERRANGE,
    SPIKE,
    UNFIT,
    CheckMade,
    Event,
    Flag,
    Gap,
    Mark,
    Reading,
    Record,
    Touch,
)

ColumnKind = Literal["frequency_hz", "offset", "period_s", "phase_s"]
"""Quantity of the numbers in a file; the words are the names of the columns."""

COLUMN_KINDS: Final[tuple[ColumnKind, ...]] = ("frequency_hz", "offset", "period_s", "phase_s")

Column = str
"""Name of a column, one of `COLUMNS`; some hold a kind in another unit."""

PARTS: Final[Mapping[Column, int]] = {
    f"offset_{unit.short_name}": round(1 / unit.size) for unit in OFFSET_UNITS
}
"""Columns of offsets in another unit: how many of the unit make 1; the coarsest unit first."""

COLUMNS: Final[tuple[Column, ...]] = (*COLUMN_KINDS, *PARTS)


def kind_of(column: Column) -> ColumnKind:
    """Return the kind of the numbers in a column."""
    return next((kind for kind in COLUMN_KINDS if kind == column), "offset")


OperatorAction = str | bool | tuple[str, str]
"""An action of the operator: a mark (its text), the tool put on (True) or lifted (False), or a
record (its kind and document)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingGap:
    """A time without readings, in front of the reading with index `before`."""

    before: int
    begin_s: float
    """In the seconds of the recording's `time_s`."""
    lasted_s: float
    reason: str


@dataclass(slots=True, eq=False, kw_only=True)
class ReadingBatch:
    """n consecutive readings of one counter, and the gaps and marks between them.

    Arrays are (n,) and hold the same quantities as those of `Recording`.
    """

    kind: ColumnKind
    nominal: Decimal | None
    time_s: FloatArray
    offset: FloatArray
    offset_hz: FloatArray
    text: Sequence[str]
    resolution_hz: float
    """Weight of the finest last digit so far, in hertz; 0 when unknown."""
    gate_s: FloatArray | None = None
    flags: Mapping[int, frozenset[Flag]] = field(default_factory=dict)
    corrections: Mapping[int, float] = field(default_factory=dict)
    gaps: Sequence[RecordingGap] = ()
    """`before` counts the readings of this batch."""
    marks: Sequence[tuple[int, float, OperatorAction]] = ()
    across_s: Mapping[int, float] = field(default_factory=dict)
    """Steps of a time error across the gaps in front of a reading, in seconds, by the reading's
    index; key n: across the gaps at the end."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Recording:
    """A recorded run of one counter.

    Arrays have one element a reading, (n,); rows without a number are among the `gaps`. Of a time
    error (phase), two neighbouring rows make one reading, at the middle of their times.
    """

    source: str
    """Name of the file, for messages."""
    kind: ColumnKind
    time_s: FloatArray
    """The file's own seconds; where the file gives dates, seconds since the first row."""
    offset: FloatArray
    """Fractional frequency offset; nan where the counter was over its range."""
    offset_hz: FloatArray
    """Frequency minus nominal in hertz, from the exact numbers; nan when no nominal is known."""
    text: tuple[str, ...]
    """The number of each row as written (of two rows, the later); empty when they were left out."""
    nominal: Decimal | None
    """Hertz; None when it is neither stated nor needed."""
    interval_s: float | None
    """Usual time from row to row in seconds; None when there is only one row."""
    resolution_hz: float = 0.0
    """Weight of the finest last digit in the file, in hertz; 0 when unknown."""
    gate_s: FloatArray | None = None
    """Gate times in seconds, nan where none is stated; None: the file states none."""
    counter: str | None = None
    """Name of the counter, where the file states it."""
    utc_start_s: float | None = None
    """Unix seconds at which `time_s` is 0; None when the file gives no dates."""
    time_base: TimeBaseSource = "unknown"
    """Time base of the readings without the flag ``internal-timebase``, if the file states it."""
    flags: Mapping[int, frozenset[Flag]] = field(default_factory=dict)
    """Flags of a reading, by its index."""
    corrections: Mapping[int, float] = field(default_factory=dict)
    """Fractional correction of the time base that the recorded offset of a reading includes, by the
    reading's index; `offset` and `offset_hz` do not include it."""
    gaps: tuple[RecordingGap, ...] = ()
    marks: tuple[tuple[int, float, OperatorAction], ...] = ()
    """The operator's actions: (index of the next reading, seconds, action)."""
    across_s: Mapping[int, float] = field(default_factory=dict)
    """Steps of a time error across the gaps in front of a reading, in seconds, by the reading's
    index: a time error continues through gaps."""
    notes: tuple[str, ...] = ()
    """Sentences on what was assumed, left out or odd; for standard error."""

    def __len__(self) -> int:
        """Count the readings."""
        return len(self.time_s)

    @property
    def name(self) -> str:
        """Name of the counter; ``main`` where the file states none."""
        return self.counter or DEFAULT_COUNTER

    def gates(self, rows: slice = slice(None)) -> list[float]:
        """Return the distinct gate times stated for `rows` in seconds, the shortest first."""
        if self.gate_s is None:
            return []
        stated = self.gate_s[rows]
        return [float(gate) for gate in np.unique(stated[np.isfinite(stated)])]

    def series(self) -> FloatArray:
        """Return the offsets with one nan for each gap and each unfit reading, (n + gaps,).

        One nan is enough: no difference of neighbours then bridges the gap.
        """
        values = self.offset.copy()
        values[[row for row, flags in self.flags.items() if flags & UNFIT]] = np.nan
        return np.insert(values, [gap.before for gap in self.gaps], np.nan)

    def events(self, counter: str | None = None, gate_s: float | None = None) -> Iterator[Event]:
        """Yield the readings, gaps and marks of the run in the order of time.

        Args:
            counter: name of the counter; None: the file's own, or ``main``.
            gate_s: gate time of all readings in seconds; None: the gates that the file states.

        Times in UTC are nan when the file gives no dates. Hertz are nan, and the text is empty,
        when no nominal is known.
        """
        name = counter or self.name
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
    if kind == CHECK_KIND:
        return CheckMade(counter=name, utc_s=utc_s, elapsed_s=at_s, document=document)
    return Record(counter=name, utc_s=utc_s, elapsed_s=at_s, kind=kind, document=document)


def play_batch(
    batch: ReadingBatch, name: str, utc_start_s: float, gate_s: float | None = None
) -> Iterator[Event]:
    """Yield readings, and the gaps and marks between them, in the order of time.

    Args:
        batch: the readings, gaps and marks.
        name: name of the counter.
        utc_start_s: Unix seconds at time 0; nan when unknown.
        gate_s: gate time of all readings in seconds; None: the gates that the file states.
    """
    between: list[tuple[int, float, Event]] = [
        (gap.before, gap.begin_s, _gap(gap, name, utc_start_s)) for gap in batch.gaps
    ]
    between += [
        (before, at_s, _action_event(action, name, utc_start_s + at_s, at_s))
        for before, at_s, action in batch.marks
    ]
    between.sort(key=itemgetter(0, 1), reverse=True)
    gates = None if gate_s is not None or batch.gate_s is None else batch.gate_s.tolist()
    # Looked up once, as this loop runs for each row of a file.
    nominal, resolution_hz, corrections = batch.nominal, batch.resolution_hz, batch.corrections
    texts = batch.text if batch.kind == "frequency_hz" else ()
    new, fill = object.__new__, Reading.__init__
    gate = gate_s
    for row, (time_s, offset, offset_hz) in enumerate(
        zip(batch.time_s.tolist(), batch.offset.tolist(), batch.offset_hz.tolist(), strict=True)
    ):
        while between and between[-1][0] <= row:
            yield between.pop()[2]
        if gates is not None:
            gate = None if math.isnan(gates[row]) else gates[row]
        # The flag is left out: the analysis of the played readings finds spikes itself.
        flags = batch.flags[row] - _SPIKE if row in batch.flags else _NO_FLAGS
        text, frequency_hz = "", math.nan
        if texts:
            text = texts[row]
            if OVERRANGE not in flags:
                frequency_hz = float(text)
        elif nominal is not None and math.isfinite(offset_hz):
            text = f"{_EXACT_SUM.add(nominal, Decimal(repr(offset_hz))):f}"
            frequency_hz = float(text)
        # Calling the class with keywords would build a dict of them first: 0.7 us more a row.
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
_EXACT_SUM: Final = Context(prec=40)


def _gap(gap: RecordingGap, name: str, start_s: float) -> Gap:
    return Gap(
        counter=name,
        utc_s=start_s + gap.begin_s,
        elapsed_s=gap.begin_s,
        lasted_s=gap.lasted_s,
        reason=gap.reason,
    )
