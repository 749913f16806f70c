"""What a recorded file holds: arrays for the numbers, and the way back to readings and gaps."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from operator import itemgetter
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from benchwatch.counter import TimeBaseSource
from benchwatch.reading import OVERRANGE, SPIKE, UNFIT, Event, Flag, Gap, Mark, Reading

Kind = Literal["frequency_hz", "offset", "period_s", "phase_s"]
"""What the numbers in the file are; the words are the names of the columns."""

KINDS: Final[tuple[Kind, ...]] = ("frequency_hz", "offset", "period_s", "phase_s")

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Hole:
    """A stretch without readings, in front of the reading with index `before`."""

    before: int
    begin_s: float
    lasted_s: float
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """A recorded run of one counter.

    Arrays have one element a reading; rows without a number are among the `holes`. Phase
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
    """The number of each row exactly as written; of the later row where two make a reading."""
    nominal: Decimal | None
    """Hertz; None when neither given nor needed."""
    interval_s: float | None
    """Median time from row to row; None when there is only one."""
    resolution_hz: float = 0.0
    """Weight of the last digit written anywhere in the file; 0 when unknown."""
    gate_s: tuple[float | None, ...] | None = None
    """Gate time of each reading, where the file tells."""
    counter: str | None = None
    """Name of the counter, where the file tells."""
    utc_start_s: float | None = None
    """Unix seconds at which `time_s` is 0; None when the file gives no dates."""
    time_base: TimeBaseSource = "unknown"
    """What counted the readings without the flag ``internal-timebase``, where the file tells."""
    flags: Mapping[int, frozenset[Flag]] = field(default_factory=dict)
    """Flags of the readings that have any."""
    corrections: Mapping[int, float] = field(default_factory=dict)
    """How far the time base was known to be off, for readings that were put right by that when
    they were recorded; the offsets here are as read."""
    holes: tuple[Hole, ...] = ()
    marks: tuple[tuple[int, float, str], ...] = ()
    """Notes on the time line, where the file has any: index of the next reading, seconds, text."""
    notes: tuple[str, ...] = ()
    """Sentences on what was assumed, left out or odd; for standard error."""

    def __len__(self) -> int:
        """Count the readings."""
        return len(self.text)

    def series(self) -> FloatArray:
        """Return the offsets in order with one nan for each hole and each unfit reading.

        One nan is enough to keep every difference from bridging a hole, however long it is.
        """
        values = self.offset.copy()
        values[[row for row, flags in self.flags.items() if flags & UNFIT]] = np.nan
        return np.insert(values, [hole.before for hole in self.holes], np.nan)

    def events(self, counter: str | None = None, gate_s: float | None = None) -> Iterator[Event]:
        """Play the file back as the readings, gaps and marks it was made of, in order.

        Args:
            counter: name of the counter; the file's own, or ``main``, when None.
            gate_s: gate the file was taken with; the file's own when None.

        Times in UTC are nan when the file gives no dates, and hertz are nan (with an empty
        text) when no nominal is known: nothing is invented.
        """
        name = counter or self.counter or "main"
        start_s = float("nan") if self.utc_start_s is None else self.utc_start_s
        between: list[tuple[int, float, Gap | Mark]] = [
            (hole.before, hole.begin_s, _gap(hole, name, start_s)) for hole in self.holes
        ]
        between += [
            (before, at_s, Mark(name, start_s + at_s, at_s, text))
            for before, at_s, text in self.marks
        ]
        between.sort(key=itemgetter(0, 1), reverse=True)
        for row, time_s in enumerate(self.time_s.tolist()):
            while between and between[-1][0] <= row:
                yield between.pop()[2]
            gate = gate_s if gate_s is not None or self.gate_s is None else self.gate_s[row]
            yield self._reading(row, name, time_s, start_s + time_s, gate)
        while between:
            yield between.pop()[2]

    def _reading(
        self, row: int, name: str, time_s: float, utc_s: float, gate_s: float | None
    ) -> Reading:
        text = self.text[row]
        offset, offset_hz = float(self.offset[row]), float(self.offset_hz[row])
        # A spike is found anew by the estimate that the reading goes through.
        flags = self.flags.get(row, frozenset()) - {SPIKE}
        if OVERRANGE in flags:
            frequency_hz = float("nan")
        elif self.kind == "frequency_hz":
            frequency_hz = float(text)
        elif self.nominal is not None:
            text = f"{self.nominal + Decimal(repr(offset_hz)):f}"
            frequency_hz = float(text)
        else:
            text, frequency_hz = "", float("nan")
        return Reading(
            name, utc_s, time_s, gate_s, text, frequency_hz, offset_hz, offset,
            self.resolution_hz, flags, self.corrections.get(row),
        )  # fmt: skip


def _gap(hole: Hole, name: str, start_s: float) -> Gap:
    return Gap(name, start_s + hole.begin_s, hole.begin_s, hole.lasted_s, hole.reason)
