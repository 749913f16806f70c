"""Records of offsets as found and as left: made, written to the journal, and logged."""

import json
import math
from dataclasses import replace

from benchwatch.errors import NoReadings
from benchwatch.estimate.comparison.counter_comparison import as_read
from benchwatch.estimate.results import Drift, Estimate, SettleState
from benchwatch.estimate.trim.as_found import QuietStretch
from benchwatch.estimate.uncertainty.measured_record import estimated_record
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.journal.run_writer import RunWriter
from benchwatch.journal.trim_entries import record_words
from benchwatch.pipeline.cautions import (
    cautions,
    cautions_of_quiet,
    refuse_if_old,
    with_cautions,
)
from benchwatch.pipeline.event_log import EventLog
from benchwatch.plan import CountedBy
from benchwatch.quantity import format_duration
from benchwatch.reading import AS_FOUND, AS_LEFT, Reading, Record, RecordKind
from benchwatch.register.visit_writer import VisitWriter
from benchwatch.snapshot import Records, Snapshot


class RecordKeeper:
    """The records of one counter.

    Args:
        journal: where each record is written.
        log: where each record is noted.
        visit: the visit that each record is part of; None: of none.
    """

    def __init__(self, journal: RunWriter, log: EventLog, visit: VisitWriter | None = None) -> None:
        self._journal, self._log, self._visit = journal, log, visit
        self.newest: Records | None = None
        """As found and as left under the present nominal; None while there is neither."""

    @property
    def has_as_found(self) -> bool:
        """Return whether as found is on record."""
        return self.newest is not None and self.newest.as_found is not None

    def resume(self, records: Records) -> None:
        """Start with the records of the earlier runs."""
        if records.as_found is not None or records.as_left is not None:
            self.newest = records

    def record_now(
        self, kind: RecordKind, now: Snapshot, counted_by: CountedBy, utc_s: float, elapsed_s: float
    ) -> OffsetRecord:
        """Put the present estimate on record, with its cautions.

        Args:
            kind: as found or as left.
            now: the present state, corrected for the offset of the reference.
            counted_by: the time base of the readings.
            utc_s: the present, Unix seconds.
            elapsed_s: the same, seconds of the run.

        Raises:
            NoReadings: there is no estimate with an uncertainty yet, or no readings come.
        """
        refuse_if_old(kind, now, elapsed_s)
        record = record_of_estimate(kind, now, counted_by)
        record = with_cautions(record, cautions(kind, now, elapsed_s))
        self.add(record, utc_s, elapsed_s)
        return record

    def keep_as_found(
        self,
        quiet: QuietStretch,
        now: Snapshot,
        counted_by: CountedBy,
        reading: Reading,
        tolerance: float | None,
    ) -> None:
        """Put the quiet stretch before the first nudge on record as found, automatically.

        Args:
            quiet: that stretch, corrected for the offset of the reference.
            now: the state after the nudge.
            counted_by: the time base of the stretch.
            reading: the one that confirmed the nudge.
            tolerance: limit of the offset (fractional); None without one.
        """
        known = None if self._visit is None else self._visit.recorded_as_found()
        if known is not None:  # another watch of the unit was first
            self.newest = Records(as_found=known.record, as_found_automatic=known.automatic)
            return
        record = _record_of_quiet(quiet, now, counted_by, reading)
        record = with_cautions(record, cautions_of_quiet(quiet, tolerance))
        self.add(record, reading.utc_s, reading.elapsed_s, unasked=True)

    def add(
        self, record: OffsetRecord, utc_s: float, elapsed_s: float, *, unasked: bool = False
    ) -> None:
        """Add a record, made automatically (`unasked`) or by the operator's command."""
        self._journal.write(journal_record(record, elapsed_s))
        if self._visit is not None:
            self._visit.write_record(record, automatic=unasked)
        if unasked:
            self._journal.write_kept_by_itself(utc_s, elapsed_s)
        self._log.add_record(utc_s, elapsed_s, record, record_words(record, kept=unasked))
        records = self.newest or Records()
        if record.kind == AS_FOUND:
            self.newest = replace(records, as_found=record, as_found_automatic=unasked)
        elif record.kind == AS_LEFT:
            self.newest = replace(records, as_left=record)

    def show_elsewhere(self, stated: Records, utc_s: float, elapsed_s: float) -> None:
        """Take over the records that the station of a counter elsewhere states; log new ones.

        Args:
            stated: all that are on record there.
            utc_s: the present, Unix seconds; a record that has a time is logged with that.
            elapsed_s: the present, seconds of the run.
        """
        was = self.newest or Records()
        for record in (stated.as_found, stated.as_left):
            if record is not None and record not in (was.as_found, was.as_left):
                kept = record is stated.as_found and stated.as_found_automatic
                at_utc_s = utc_s if record.utc_s is None else record.utc_s
                self._log.add_record(at_utc_s, elapsed_s, record, record_words(record, kept=kept))
        self.newest = None if stated.as_found is stated.as_left is None else stated


def record_of_estimate(kind: RecordKind, now: Snapshot, counted_by: CountedBy) -> OffsetRecord:
    """Make a record of the present estimate; arguments as of `RecordKeeper.record_now`.

    Raises:
        NoReadings: there is no estimate with an uncertainty yet.
    """
    estimate = now.numbers.estimate
    if now.reading is None or estimate is None or estimate.u is None:
        raise NoReadings(
            f"there is nothing to record {kind} yet: wait until the offset is known with an "
            "uncertainty, a few readings after the last nudge or gap."
        )
    settle = now.numbers.settle
    return _record(
        kind,
        now,
        estimate,
        now.numbers.drift,
        counted_by,
        utc_s=now.reading.utc_s - estimate.span_s / 2.0,
        settle=None if settle is None else settle.state,
    )


def _record_of_quiet(
    quiet: QuietStretch, now: Snapshot, counted_by: CountedBy, reading: Reading
) -> OffsetRecord:
    ended_utc_s = reading.utc_s - (reading.elapsed_s - quiet.elapsed_s)
    return _record(
        AS_FOUND,
        now,
        quiet.estimate,
        quiet.drift,
        counted_by,
        utc_s=ended_utc_s - quiet.estimate.span_s / 2.0,
        settle=quiet.settle,
    )


def journal_record(record: OffsetRecord, elapsed_s: float) -> Record:
    """Return the journal's entry of `record`, made at `elapsed_s` of the run."""
    return Record(
        counter=record.counter,
        utc_s=record.utc_s or 0.0,
        elapsed_s=elapsed_s,
        kind=record.kind,
        document=json.dumps(record.as_dict(), allow_nan=False),
    )


def _record(
    kind: RecordKind,
    now: Snapshot,
    estimate: Estimate,
    drift: Drift | None,
    counted_by: CountedBy,
    *,
    utc_s: float,
    settle: SettleState | None,
) -> OffsetRecord:
    resolution_hz = 0.0 if now.reading is None else now.reading.resolution_hz
    # A budget states the offset as read and that of the reference; together they are the true one.
    estimate = replace(estimate, offset=as_read(estimate.offset, counted_by.reference.offset))
    gate = "unknown" if now.gate_s is None else format_duration(now.gate_s)
    conditions = [("gate", gate), ("time base", counted_by.source)]
    if settle is not None:
        conditions.append(("settle", settle))
    if now.identity is not None:
        conditions.append(("counter", now.identity.text))
    return estimated_record(
        kind,
        now.counter,
        estimate,
        drift,
        counted_by.reference,
        nominal_hz=now.nominal_hz if now.nominal_hz > 0 else None,  # a recording of offsets
        utc_s=utc_s if math.isfinite(utc_s) else None,  # a recording may give no dates
        resolution=resolution_hz / now.nominal_hz if now.nominal_hz > 0 else None,
        conditions=tuple(conditions),
    )
