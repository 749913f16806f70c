"""Reads the readings of one run of a visit, portion by portion, as offsets from the nominal."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final

import numpy as np

from benchwatch.errors import ReplyError
from benchwatch.estimate.array_types import BoolArray, FloatArray, IntArray
from benchwatch.estimate.comparison.counter_comparison import corrected
from benchwatch.estimate.spikes import spikes
from benchwatch.journal.journal_reader import Portion, ReadingRow, flags_of
from benchwatch.journal.run_source import RunSource
from benchwatch.journal.schema import JournalRun
from benchwatch.journal.trim_entries import LARGEST_OFFSET, ProofNote
from benchwatch.measured_visit.fingerprint import RunDigest
from benchwatch.quantity import difference, parse_reply
from benchwatch.reading import DIALLED, INTERNAL_TIMEBASE, NO_MEASUREMENT, UNFIT
from benchwatch.recording.cell_parsing import read_texts
from benchwatch.recording.rows import TOO_LARGE

SPIKES_AT_ONCE: Final = 1 << 17
"""Readings among which spikes are sought at once."""
MOST_GATES: Final = 20
"""Most different gates of a run that are listed."""


@dataclass(slots=True, eq=False)
class OffsetPortion:
    """n consecutive readings that were fit for an estimate, arrays of shape (n,)."""

    utc_s: FloatArray
    offset: FloatArray
    """Fractional, corrected."""
    gate_s: FloatArray
    """nan where none is known."""
    gaps: list[tuple[int, float, float]]
    """Gaps: the index of the next reading, begin (Unix seconds), and how long each lasted."""
    new_scale: int | None
    """Index of the first reading since the time base or its correction changed last; None: it did
    not. Readings before and after must not be compared."""


@dataclass(slots=True, kw_only=True)
class RunTotals:
    """What was counted of the readings of one run."""

    readings: int = 0
    """Measurements at the nominal."""
    gaps: int = 0
    missing_s: float = 0.0
    internal: int = 0
    """Readings that the counter's own oscillator counted."""
    spikes: int = 0
    unreadable: int = 0
    """Readings whose text is no number."""
    far_off: int = 0
    """Readings that are none of this nominal."""
    last_utc_s: float | None = None
    gates_s: set[float] = field(default_factory=set)


class RunReadings:
    """The readings of one run; `portions` reads them once.

    Args:
        run: the run.
        nominal: of the visit, in hertz.
        corrections: known offset (fractional) of the time bases by their name, for readings that no
            comparison corrects.
        proofs: from which reading on a comparison corrects.
    """

    def __init__(
        self,
        run: JournalRun,
        nominal: Decimal,
        corrections: Mapping[str, float],
        proofs: Sequence[ProofNote] = (),
    ) -> None:
        self._run, self._nominal, self._proofs = run, nominal, proofs
        source = "external" if run.time_base == "unknown" else run.time_base
        self._external = corrections.get(run.time_base, corrections.get(source, 0.0))
        self._internal = corrections.get("internal", 0.0)
        self._scale: tuple[float, bool] | None = None
        """Known offset of the time base of the newest reading, and whether it is the internal."""
        self._waiting: list[FloatArray] = []
        """Offsets among which spikes were not sought yet."""
        self.totals = RunTotals()
        self.digest = RunDigest()

    def portions(self, journal: RunSource) -> Iterator[OffsetPortion]:
        """Yield the readings in the order of writing.

        Raises:
            JournalError: the journal can't be read any further.
        """
        try:
            for portion in journal.portions(self._run):
                self.digest.add(portion.readings)
                yield self._offsets(portion)
        finally:
            self._count_spikes()

    def _offsets(self, portion: Portion) -> OffsetPortion:
        """Return the offsets of a portion, and count what it has."""
        rows, began_s = portion.readings, self._run.started_utc_s
        number = np.array([row[0] for row in rows], dtype=np.int64)
        utc_s = np.array([row[2] for row in rows], dtype=np.float64) + began_s
        gate_s = np.array([row[3] for row in rows], dtype=np.float64)  # nan for None
        offset = self._as_read([row[4] for row in rows])
        measures, internal, fit = _by_flags(rows)
        totals = self.totals
        totals.readings += int(measures.sum())
        totals.internal += int((measures & internal).sum())
        totals.unreadable += int((np.isnan(offset) & fit).sum())
        far_off = fit & (np.abs(offset) >= LARGEST_OFFSET)
        totals.far_off += int(far_off.sum())
        if utc_s.size:
            totals.last_utc_s = float(utc_s[-1])
        if len(totals.gates_s) < MOST_GATES:
            totals.gates_s.update(np.unique(gate_s[gate_s > 0]).tolist()[:MOST_GATES])
        good = fit & ~far_off & np.isfinite(offset)
        known = self._time_bases(number, internal)
        offset = corrected(offset, known)[good]
        new_scale = self._new_scale(known[good], internal[good])
        self._take_spikes(offset)
        before = np.concatenate(([0], np.cumsum(good)))
        gaps = []
        for at, _, elapsed_s, lasted_s, reason in portion.gaps:
            if not reason.startswith(DIALLED):
                totals.gaps += 1
                totals.missing_s += max(lasted_s, 0.0)
            place = int(before[int(np.searchsorted(number, at))])
            gaps.append((place, began_s + elapsed_s, lasted_s))
        return OffsetPortion(utc_s[good], offset, gate_s[good], gaps, new_scale)

    def _as_read(self, texts: list[str]) -> FloatArray:
        """Return the fractional offsets of readings, (n,); nan where one is no number."""
        if any("\n" in text for text in texts):
            texts = [text.replace("\n", " ") for text in texts]
        found = read_texts(texts)
        found.known[found.beyond(TOO_LARGE)] = False
        offset = found.minus(self._nominal, self._nominal)
        for place in np.flatnonzero(~found.known).tolist():
            offset[place] = self._of_other_form(texts[place])
        return offset

    def _of_other_form(self, text: str) -> float:
        """Return the offset of a reading that is no plain number, such as 1.0E7."""
        try:
            value = parse_reply(text)
        except ReplyError:
            return math.nan
        return difference(value, self._nominal)[1] if -TOO_LARGE < value < TOO_LARGE else math.inf

    def _time_bases(self, number: IntArray, internal: BoolArray) -> FloatArray:
        """Return the known offset of the time base of each reading, (n,), fractional."""
        known = np.where(internal, self._internal, self._external)
        if self._proofs:
            places = np.searchsorted([proof.number for proof in self._proofs], number)
            for place in np.unique(places[places > 0]).tolist():
                proof = self._proofs[place - 1]
                if proof.offset:
                    known[(places == place) & (internal == proof.own)] = proof.offset
        return known

    def _new_scale(self, known: FloatArray, internal: BoolArray) -> int | None:
        """Return the index of the first reading since the time base changed last; None: it did not.

        Args:
            known: known offset of the time base of each reading, (n,).
            internal: whether that is the internal one, (n,).
        """
        if not known.size:
            return None
        before, self._scale = self._scale, (float(known[-1]), bool(internal[-1]))
        changes = np.flatnonzero((np.diff(known) != 0) | (internal[1:] != internal[:-1]))
        if changes.size:
            return int(changes[-1]) + 1
        return 0 if before is not None and before != self._scale else None

    def _take_spikes(self, offset: FloatArray) -> None:
        self._waiting.append(offset)
        if sum(part.size for part in self._waiting) >= SPIKES_AT_ONCE:
            self._count_spikes()

    def _count_spikes(self) -> None:
        if self._waiting:
            self.totals.spikes += int(spikes(np.concatenate(self._waiting)).sum())
            self._waiting = []


def _by_flags(rows: Sequence[ReadingRow]) -> tuple[BoolArray, BoolArray, BoolArray]:
    """Return which readings measure at the nominal, by the internal time base, and are fit."""
    measures, internal, fit = (np.full(len(rows), value) for value in (True, False, True))
    known: dict[str, tuple[bool, bool, bool]] = {}
    for place, row in enumerate(rows):
        written = row[6]
        if not written:
            continue
        if written not in known:
            flags = flags_of(written)
            known[written] = (
                flags.isdisjoint(NO_MEASUREMENT),
                INTERNAL_TIMEBASE in flags,
                flags.isdisjoint(UNFIT),
            )
        measures[place], internal[place], fit[place] = known[written]
    return measures, internal, fit
