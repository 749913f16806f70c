"""Builds readings from the rows of a file, batch by batch: exact offsets, gaps, and notes."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Final

import numpy as np

from benchwatch.errors import FileError
from benchwatch.estimate.array_types import BoolArray, FloatArray, IntArray
from benchwatch.quantity import EXACT, last_digit
from benchwatch.reading import OVERRANGE
from benchwatch.recording.decimals import Decimals
from benchwatch.recording.gap_finder import GapFinder
from benchwatch.recording.phase_steps import PhaseSteps, wrap_note
from benchwatch.recording.recorded_run import ColumnKind, ReadingBatch, Recording, RecordingGap
from benchwatch.recording.row_spacing import (
    SpacingTracker,
    TimeOrdering,
    rounding_note,
    unevenness_note,
)
from benchwatch.recording.rows import CounterFacts, Rows
from benchwatch.recording.unit_checks import decide_nominal

HEAD_ROWS: Final = 1000
"""Nominal and spacing are taken from the first rows, until so many have a number."""
HEAD_ROWS_WITH_GAPS: Final = 30
"""The same for a file that reports its gaps, once its time has advanced as often."""
SHORTEST_PERIOD_S: Final = Decimal("1e-20")


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedFacts:
    """Facts on a file that the caller states."""

    nominal: Decimal | None = None
    """Hertz; None: the file's own nominal, or the round number near the readings."""
    interval_s: float | None = None
    """Seconds from row to row; None: the median step."""
    wraps_s: Decimal | None = None
    """Period in seconds after which a time error restarts; None: it does not."""
    offsets_only: bool = False
    """True: leave out the offsets in hertz and the numbers as written."""


class ReadingBuilder:
    """Builds readings from the rows of one counter.

    Nominal and spacing are taken from the first rows, which are held back until there are
    enough. From then on the spacing follows the newest rows.

    Args:
        facts: facts on the counter that the file states.
        stated: facts that the caller states.
    """

    def __init__(self, facts: CounterFacts, stated: StatedFacts) -> None:
        self.facts, self.stated = facts, stated
        self.begun = False
        """True once nominal and spacing are known."""
        self.nominal = stated.nominal
        self.interval_s: float | None = None
        """Usual time between the first rows in seconds; None when there is only one row."""
        self._waiting: list[Rows] = []
        self._rows = self._readings = self._over = self._phase_readings = self._advances = 0
        self._spacing = SpacingTracker(reports_gaps=facts.reports_gaps, stated_s=stated.interval_s)
        self._gaps = GapFinder(facts)
        self._ordering: TimeOrdering | None = None
        self._phase = PhaseSteps(stated.wraps_s)
        self._resolution_hz = np.inf

    def take(self, rows: Rows) -> Iterator[ReadingBatch]:
        """Take the next rows; yield a batch of readings once there are enough rows.

        Raises:
            FileError: the numbers are plainly in another unit, or the times go back.
            UsageError: a nominal is needed and none can be guessed.
        """
        self._rows += len(rows)
        self._readings += int(rows.value.known.sum())
        self._over += 0 if rows.over is None else int(rows.over.sum())
        if self.begun:
            yield self._batch(rows)
            return
        self._waiting.append(rows)
        self._advances += int((np.diff(rows.time_s) > 0).sum())
        uneven = self.facts.reports_gaps and self._advances >= HEAD_ROWS_WITH_GAPS
        enough = HEAD_ROWS_WITH_GAPS if uneven else HEAD_ROWS
        if self._readings - self._over >= enough:
            yield from self._begin()

    def end(self) -> Iterator[ReadingBatch]:
        """Yield the readings and gaps that remain after the last row; nothing without any row.

        Raises:
            FileError: as `take`; or no row has a number; or a time error has no two neighbouring
                rows.
            UsageError: as `take`.
        """
        if not self._rows:
            return
        self._check_any()
        if not self.begun:
            yield from self._begin()
        if self.facts.kind == "phase_s" and not self._phase_readings:
            raise FileError(
                f"{self.facts.source}: a time error needs two rows in succession to say anything."
            )
        gaps = self._gaps.end(self._spacing.now)
        if self.facts.kind == "phase_s":
            half_s = self._spacing.now.interval_s / 2
            gaps = [
                replace(gap, begin_s=gap.begin_s - half_s, lasted_s=gap.lasted_s + half_s)
                for gap in gaps
            ]
        if gaps:
            yield replace(_empty(self.facts.kind, self.nominal), gaps=gaps)

    def outline(self) -> Recording:
        """Return the recording without its readings."""
        facts, nothing = self.facts, np.zeros(0)
        return Recording(
            source=facts.source,
            kind=facts.kind,
            time_s=nothing,
            offset=nothing,
            offset_hz=nothing,
            text=(),
            nominal=self.nominal,
            interval_s=self.interval_s,
            counter=facts.counter,
            utc_start_s=facts.epoch_s,
        )

    def take_notes(self) -> list[str]:
        """Return and clear the sentences on what was assumed, left out or odd so far."""
        notes = list(self.facts.notes)
        self.facts.notes.clear()
        return notes

    def final_notes(self) -> list[str]:
        """Return the sentences that are complete only at the end of the file."""
        notes = self.take_notes()
        if self._ordering is not None:
            notes += self._ordering.take_notes()
        if self._phase.wraps:
            count = self._phase.wraps
            notes.append(f"{self.facts.source}: {count} steps of the time error taken as wraps.")
        return notes

    # ------------------------------------------------------------ the beginning of a file

    def _check_any(self) -> None:
        """Check that any row has a frequency.

        Raises:
            FileError: no row has one.
        """
        source, rows = self.facts.source, self._rows
        if not self._readings:
            raise FileError(
                f"{source}: none of its {rows} rows has a value in column {self.facts.kind}."
            )
        if self._readings == self._over:
            raise FileError(
                f"{source}: none of its {rows} rows has a frequency: {self._over} over the "
                f"counter's range, {rows - self._over} empty."
            )

    def _begin(self) -> Iterator[ReadingBatch]:
        """Find nominal and spacing from the rows held back, and yield their readings."""
        facts, waiting = self.facts, self._waiting
        self.begun, self._waiting = True, []
        spacing = self._spacing.begin(waiting)
        self.interval_s = spacing.interval_s or None
        if facts.reports_gaps:
            self._ordering = TimeOrdering(facts, spacing.interval_s)
        steps_s = self._spacing.steps_s
        values = np.concatenate([rows.value.floats()[_usable(rows)] for rows in waiting])
        self.nominal = decide_nominal(facts, values / facts.parts, self.nominal)
        rounded = [] if self.stated.interval_s else rounding_note(facts, steps_s, spacing)
        facts.notes += rounded or unevenness_note(facts, steps_s, spacing)
        batches = [self._batch(rows, known=True) for rows in waiting]
        if facts.kind == "phase_s" and self.stated.wraps_s is None and spacing.interval_s:
            steps_s = np.concatenate([batch.offset for batch in batches]) * spacing.interval_s
            facts.notes += wrap_note(facts.source, steps_s)
        if facts.kind != "phase_s" and self.stated.wraps_s is not None:
            facts.notes.append(
                f"{facts.source}: --wraps is for a time error (phase_s), and says nothing of these "
                "numbers."
            )
        if self._ordering is not None and self._ordering.moved:
            facts.notes += self._ordering.take_notes()
            self._ordering.moved = 0
        yield from batches

    # ------------------------------------------------------------ batch by batch

    def _batch(self, rows: Rows, *, known: bool = False) -> ReadingBatch:
        """Build the batch of `rows`; `known`: the spacing was found from these rows."""
        time_s = rows.time_s
        if self._ordering is not None:
            time_s = self._ordering.take(time_s, rows.gate_s, rows.line)
        self._spacing.add(rows, time_s, known=known)
        good = rows.value.known
        gaps = self._gaps.take(rows, time_s, good, self._spacing.now)
        numbered = np.flatnonzero(good)
        marks = [(int(np.searchsorted(numbered, at)), at_s, text) for at, at_s, text in rows.marks]
        if self.facts.kind == "phase_s":
            return self._phase_batch(time_s[good], rows.value.only(numbered), gaps)
        whole = bool(good.all())
        value = rows.value if whole else rows.value.only(numbered)
        over = None if rows.over is None or not rows.over.any() else rows.over[good]
        offset, offset_hz = self._offsets(value, rows.line[good], over)
        flags, corrections = dict(rows.flags), dict(rows.corrections)
        if not whole and (flags or corrections):
            at = {int(row): i for i, row in enumerate(numbered.tolist())}
            flags = {at[row]: words for row, words in flags.items() if row in at}
            corrections = {at[row]: by for row, by in corrections.items() if row in at}
        if over is not None:
            for row in np.flatnonzero(over).tolist():
                flags[row] = flags.get(row, frozenset()) | {OVERRANGE}
        self._update_resolution(value, over)
        return ReadingBatch(
            kind=self.facts.kind,
            nominal=self.nominal,
            time_s=time_s[good],
            offset=offset,
            offset_hz=offset_hz,
            text=() if self.stated.offsets_only else value.texts(),
            resolution_hz=self._resolution_hz if np.isfinite(self._resolution_hz) else 0.0,
            gate_s=None if rows.gate_s is None else rows.gate_s[good],
            flags=flags,
            corrections=corrections,
            gaps=gaps,
            marks=marks,
        )

    def _update_resolution(self, value: Decimals, over: BoolArray | None) -> None:
        """Take the last digits of numbers within the counter's range into account."""
        if self.facts.kind == "frequency_hz" and len(value):
            digits = _written_digits(value) if value.longer else value.last_digits()
            if over is not None:
                digits = digits[~over]
            self._resolution_hz = min(self._resolution_hz, float(digits.min(initial=np.inf)))

    def _offsets(
        self, value: Decimals, line: IntArray, over: BoolArray | None
    ) -> tuple[FloatArray, FloatArray]:
        """Return the offsets as fractions and in hertz, (n,) each.

        nan where the counter was over its range; hertz are nan without a nominal.
        """
        kind, nominal = self.facts.kind, self.nominal
        if kind == "offset":
            offset = value.minus(Decimal(0), Decimal(self.facts.parts))
            return offset, offset * (np.nan if nominal is None else float(nominal))
        assert nominal is not None
        if kind == "period_s":
            self._check_periods(value, line)
            offset = value.periods_minus(nominal)
            if self.stated.offsets_only:
                return offset, np.broadcast_to(np.nan, offset.shape)
            return offset, _frequencies(value).minus(nominal)
        offset = value.minus(nominal, nominal)
        if over is not None:
            offset[over] = np.nan
        if self.stated.offsets_only:
            return offset, np.broadcast_to(np.nan, offset.shape)
        offset_hz = value.minus(nominal)
        if over is not None:
            offset_hz[over] = np.nan
        return offset, offset_hz

    def _check_periods(self, value: Decimals, line: IntArray) -> None:
        """Check that all periods are positive.

        Raises:
            FileError: a period is not positive, or absurdly short.
        """
        for i in np.flatnonzero(~(value.floats() >= float(SHORTEST_PERIOD_S))).tolist():
            period_s = value.at(i)
            if period_s < SHORTEST_PERIOD_S:
                where = self.facts.location(int(line[i]))
                raise FileError(f"{where}: a period of {period_s} s is none. Mend or remove it.")

    def _phase_batch(
        self, time_s: FloatArray, value: Decimals, gaps: list[RecordingGap]
    ) -> ReadingBatch:
        """Build one reading of each two neighbouring rows, but none across a gap.

        Each gap is lengthened: it extends from row to row.
        """
        interval_s, half_s = self._spacing.now.interval_s or 1.0, self._spacing.now.interval_s / 2
        begun = self._phase.begun
        # Reading i ends at row i + lag: the very first row of a file ends none.
        lag = 0 if begun else 1
        offset, middle_s, steps_s = self._phase.take(time_s, value, interval_s)
        across_gap = [gap.before - lag for gap in gaps if gap.before >= lag]
        kept = np.ones(len(offset), dtype=bool)
        kept[[i for i in across_gap if i < len(offset)]] = False
        kept_before = np.concatenate(([0], np.cumsum(kept)))
        texts = [] if self.stated.offsets_only else value.texts()[lag:]
        across_s: dict[int, float] = {}
        for i in np.flatnonzero(~kept).tolist():
            at = int(kept_before[i])
            across_s[at] = across_s.get(at, 0.0) + float(steps_s[i])
        offset = offset[kept]
        self._phase_readings += len(offset)
        nominal = np.nan if self.nominal is None else float(self.nominal)
        return ReadingBatch(
            kind="phase_s",
            nominal=self.nominal,
            time_s=middle_s[kept],
            offset=offset,
            offset_hz=offset * nominal,
            text=[text for text, keep in zip(texts, kept.tolist(), strict=False) if keep],
            resolution_hz=0.0,
            gaps=[
                replace(
                    gap,
                    before=int(kept_before[min(max(gap.before - lag, 0), len(kept))]),
                    begin_s=gap.begin_s - (half_s if begun or gap.before else 0.0),
                    lasted_s=gap.lasted_s + half_s * (2 if begun or gap.before else 1),
                )
                for gap in gaps
            ],
            across_s=across_s,
        )


def _usable(rows: Rows) -> BoolArray:
    """Return which rows have a number within the counter's range, (n,)."""
    return rows.value.known if rows.over is None else rows.value.known & ~rows.over


def _frequencies(period_s: Decimals) -> Decimals:
    """Return the frequencies of positive periods, in hertz."""
    one = Decimal(1)
    return Decimals(
        known=period_s.known,
        mantissa=period_s.mantissa,
        exponent=period_s.exponent,
        longer={i: EXACT.divide(one, period_s.at(i)) for i in range(len(period_s))},
        texts=period_s.texts,
    )


def _written_digits(value: Decimals) -> FloatArray:
    """Return the weight of the last digit of each text; the number may have more digits."""
    return np.array([last_digit(Decimal(text)) if text else np.inf for text in value.texts()])


def _empty(kind: ColumnKind, nominal: Decimal | None) -> ReadingBatch:
    """Return a batch without readings."""
    nothing = np.zeros(0)
    return ReadingBatch(
        kind=kind,
        nominal=nominal,
        time_s=nothing,
        offset=nothing,
        offset_hz=nothing,
        text=(),
        resolution_hz=0.0,
    )
