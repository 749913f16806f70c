"""One counter's way from event to snapshot: journal, buffer, estimate.

Live readings and replayed ones go through this very same pipe.
"""

import json
import threading
from dataclasses import replace
from typing import Final

from benchwatch.acquire import CounterStatus
from benchwatch.counter import LinkStatus
from benchwatch.estimate.results import Numbers, SettleLimit
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.journal import Journal
from benchwatch.journal.resume import InterruptedRun, record_words
from benchwatch.journal.run_writer import RunWriter, run_of
from benchwatch.pipeline.analysis import Analysis
from benchwatch.pipeline.cautions import (
    cautions,
    cautions_of_quiet,
    nominal_doubt,
    refuse_if_old,
    with_cautions,
)
from benchwatch.pipeline.event_log import EventLog, resumed_words, settled_words, tolerance_words
from benchwatch.pipeline.records import filed, record_now, record_of_quiet
from benchwatch.pipeline.slow_statistics import elsewhere_now, warm_up_now
from benchwatch.pipeline.time_base_correction import TimeBaseCorrection
from benchwatch.plan import Plan
from benchwatch.quantity import format_frequency
from benchwatch.reading import (
    AS_FOUND,
    NO_MEASUREMENT,
    TOOL_WORDS,
    Event,
    Gap,
    Mark,
    Reading,
    Record,
    RecordKind,
    Touch,
)
from benchwatch.snapshot import Records, Snapshot, Trace, TrimNow, WarmUp

MARKS_KEPT: Final = 100
"""Newest marks in a snapshot; the journal has them all."""


class Pipeline:
    """Events of one counter in, snapshots out; the newest one may be read from any thread."""

    def __init__(
        self,
        plan: Plan,
        *,
        journal: Journal | None = None,
        utc_s: float = 0.0,
        watch: int = 0,
        earlier: InterruptedRun | None = None,
    ) -> None:
        """Begin a run.

        Args:
            plan: the counter.
            journal: where events go first; None when they are kept nowhere.
            utc_s: when the run began, Unix seconds.
            watch: key shared by the counters of one watch.
            earlier: what an interrupted run of this counter left, to go on with.
        """
        self.plan = plan
        self._lock = threading.Lock()
        nominal_hz = float("nan") if plan.nominal is None else float(plan.nominal)
        self._reckoning = Analysis(nominal_hz, plan.tolerance, plan.settle)
        self._time_bases = TimeBaseCorrection(plan)
        samples = () if earlier is None else earlier.samples
        run = run_of(plan, utc_s, watch, None if earlier is None else earlier.run)
        self._entries = RunWriter(journal, run, samples)
        self._notes = EventLog(self._entries.happened)
        self._resumed_hz: float | None = None
        """Nominal of the run that this one goes on with, where it is known."""
        self._snapshot = Snapshot(
            plan.name, plan.resource, nominal_hz, LinkStatus("connecting", 0.0),
            warm_up=WarmUp(limit=plan.settle),
        )  # fmt: skip
        if earlier is not None:
            self._resume(earlier, utc_s)

    @property
    def snapshot(self) -> Snapshot:
        """The newest state."""
        return self._snapshot

    def trace(self, span_s: float, points: int) -> Trace:
        """Return the last `span_s` seconds in at most `points` points, nan at gaps."""
        return self._reckoning.trace(span_s, points)

    def take(self, event: Event) -> Snapshot:
        """Put `event` on disk, then into the numbers; return the state after it."""
        with self._lock:
            if isinstance(event, Touch):
                self._touch(event.utc_s, event.elapsed_s, on=event.on)
                return self._snapshot
            if isinstance(event, Record):
                self._file(_record_in(event), event.utc_s, event.elapsed_s)
                return self._snapshot
            self._entries.write(event)
            if isinstance(event, Reading):
                self._snapshot = self._take_reading(event)
                self._keep_as_found()
            elif isinstance(event, Gap):
                self._snapshot = self._take_gap(event)
            elif isinstance(event, Mark):
                self._snapshot = self._take_mark(event)
            return self._snapshot

    def connect(self, now: CounterStatus) -> Snapshot:
        """Note a change of the connection, and what is known of the counter by now."""
        with self._lock:
            if now.nominal is not None:
                self._take_nominal(float(now.nominal))
            self._snapshot = replace(
                self._snapshot,
                link=now.link,
                identity=now.identity,
                time_base=now.time_base,
                gate_s=now.gate_s,
                nominal_hz=self._reckoning.nominal_hz,
                journal_trouble=self._entries.trouble,
                not_on_disk=self._entries.not_on_disk,
            )
            self._entries.know(
                identity="" if now.identity is None else now.identity.text,
                time_base=now.time_base.source,
                gate_s=now.gate_s,
                nominal_hz=now.nominal,
            )
            return self._snapshot

    def end(self, utc_s: float, elapsed_s: float, reason: str) -> Snapshot:
        """End the run; `reason` goes to the journal and the snapshot."""
        with self._lock:
            self._entries.know(ended_utc_s=utc_s, end_reason=reason)
            self._snapshot = replace(self._snapshot, link=LinkStatus("ended", elapsed_s, reason))
            return self._snapshot

    # ------------------------------------------------------------ what the operator says

    def touch(self, utc_s: float, elapsed_s: float, *, on: bool) -> None:
        """The tool is on the trimmer, or off."""
        with self._lock:
            self._touch(utc_s, elapsed_s, on=on)

    def record(self, kind: RecordKind, utc_s: float, elapsed_s: float) -> OffsetRecord:
        """Put the present offset on record, in the journal too.

        Raises:
            NoReadings: there is no offset with an uncertainty yet.
        """
        with self._lock:
            now = self._snapshot
            refuse_if_old(kind, now, elapsed_s)
            record = record_now(kind, now, self._time_bases.now)
            record = with_cautions(record, cautions(kind, now, elapsed_s))
            self._file(record, utc_s, elapsed_s)
            return record

    def set_limits(
        self,
        utc_s: float,
        elapsed_s: float,
        *,
        tolerance: float | None = None,
        settle: SettleLimit | None = None,
    ) -> None:
        """Take a new limit; None leaves the old one. Nothing that was measured is lost."""
        with self._lock:
            plan = self.plan
            if tolerance is not None:
                plan = replace(plan, tolerance=tolerance)
                self._notes.note(utc_s, elapsed_s, "setting", tolerance_words(tolerance))
            if settle is not None:
                plan = replace(plan, settle=settle)
                self._notes.note(utc_s, elapsed_s, "setting", settled_words(settle))
            self.plan = plan
            self._reckoning.set_limits(plan.tolerance, plan.settle)
            warm_up = replace(self._snapshot.warm_up or WarmUp(), limit=plan.settle)
            self._snapshot = replace(
                self._snapshot,
                numbers=self._reckoning.numbers,
                warm_up=warm_up,
                logged_events=self._notes.newest,
            )

    def refresh(self) -> None:
        """Work out what changes slowly; called now and then by whoever shows it."""
        stability = self._reckoning.stability()
        now = self._snapshot
        elsewhere = elsewhere_now(now.numbers.estimate, now.nominal_hz, self.plan.working_hz)
        with self._lock:
            fit = self._reckoning.warm_up_fit()
            now_s = 0.0 if now.reading is None else now.reading.elapsed_s
            warm_up = warm_up_now(self._snapshot.warm_up or WarmUp(), fit, now_s)
            self._snapshot = replace(
                self._snapshot, stability=stability, elsewhere=elsewhere, warm_up=warm_up
            )

    # ------------------------------------------------------------ the lock is held from here on

    def _touch(self, utc_s: float, elapsed_s: float, *, on: bool) -> None:
        trim = self._reckoning.touch(elapsed_s, on=on)
        self._notes.note(utc_s, elapsed_s, "tool", TOOL_WORDS[on])
        self._keep_pull(utc_s, elapsed_s)
        self._snapshot = replace(self._snapshot, trim=trim, logged_events=self._notes.newest)

    def _keep_pull(self, utc_s: float, elapsed_s: float) -> None:
        """Put what touches of the tool showed in the journal when it has changed."""
        trimming = self._reckoning.trimming
        self._entries.pull(trimming.tool, lambda: trimming.samples, utc_s, elapsed_s)

    def _resume(self, earlier: InterruptedRun, utc_s: float) -> None:
        """Begin where an interrupted run was."""
        records = earlier.records
        self._resumed_hz = None if earlier.nominal is None else float(earlier.nominal)
        known = records.as_found is not None
        trimming = self._reckoning.trimming
        trimming.resume(
            earlier.samples,
            earlier.turn,
            known=known,
            tool_on=earlier.tool_on,
            sizes=[
                note.nudge.size for note in earlier.notes if note.kind == "nudge" and note.nudge
            ],
        )
        self._notes.resume(earlier.notes)
        self._notes.note(utc_s, 0.0, "setting", resumed_words(earlier, utc_s))
        self._snapshot = replace(
            self._snapshot,
            trim=trimming.gap(),
            records=records if known or records.as_left is not None else None,
            logged_events=self._notes.newest,
        )

    def _file(
        self, record: OffsetRecord, utc_s: float, elapsed_s: float, *, kept: bool = False
    ) -> None:
        """Keep a record in the journal, the snapshot and the notes."""
        self._entries.write(filed(record, elapsed_s))
        if kept:
            self._entries.kept_by_itself(utc_s, elapsed_s)
        self._notes.recorded(utc_s, elapsed_s, record, record_words(record, kept=kept))
        records = self._snapshot.records or Records()
        if record.kind == AS_FOUND:
            records = replace(records, as_found=record, as_found_kept=kept)
        else:
            records = replace(records, as_left=record)
        self._snapshot = replace(self._snapshot, records=records, logged_events=self._notes.newest)

    def _keep_as_found(self) -> None:
        """With the first nudge, put the quiet stretch before it on record unasked."""
        if self._snapshot.numbers.confirmed_nudge is None:
            return
        quiet, reading = self._reckoning.trimming.found, self._snapshot.reading
        known = self._snapshot.records is not None and self._snapshot.records.as_found is not None
        if quiet is None or not quiet.frozen or known or reading is None:
            return
        by = self._time_bases.at(quiet.elapsed_s)
        record = record_of_quiet(quiet, self._snapshot, by)
        record = with_cautions(record, cautions_of_quiet(quiet, self.plan.tolerance))
        self._file(record, reading.utc_s, reading.elapsed_s, kept=True)

    def _take_nominal(self, nominal_hz: float) -> None:
        """Take the nominal; the numbers begin anew if what is known was held against another.

        Records under the other one leave the view and stay in the journal; none is kept by itself
        in their place once somebody has turned.
        """
        was, before_hz = self._snapshot.reading, self._reckoning.nominal_hz
        if was is None:
            before_hz = nominal_hz if self._resumed_hz is None else self._resumed_hz
        self._resumed_hz = None
        if nominal_hz == before_hz:
            self._reckoning.nominal_hz = nominal_hz
            return
        records = self._snapshot.records
        numbers, trim = self._snapshot.numbers, self._snapshot.trim
        turned = numbers.last_nudge is not None or (trim is not None and trim.turn is not None)
        self._reckoning = self._reckoning.under(
            nominal_hz, has_turned=turned or records is not None
        )
        said = f"nominal {format_frequency(nominal_hz)}"
        if records is not None:
            said += f"; what is on record was held against {format_frequency(before_hz)}"
        utc_s, elapsed_s = (self._entries.started_utc_s, 0.0) if was is None else (
            was.utc_s, was.elapsed_s
        )  # fmt: skip
        self._notes.note(utc_s, elapsed_s, "setting", said)
        self._snapshot = replace(
            self._snapshot, reading=None, numbers=Numbers(), trim=None, records=None,
            stability=None, elsewhere=None, logged_events=self._notes.newest, question=None,
        )  # fmt: skip

    def _take_reading(self, reading: Reading) -> Snapshot:
        was = self._snapshot
        trim: TrimNow | None
        measures = reading.flags.isdisjoint(NO_MEASUREMENT)
        reading, changed = self._time_bases.take(
            reading, was.time_base.source, self._reckoning.nominal_hz
        )
        if changed:
            # The readings step with the time base, and nobody has turned anything.
            change = Gap(
                counter=was.counter,
                utc_s=reading.utc_s,
                elapsed_s=reading.elapsed_s,
                lasted_s=0.0,
                reason="",
            )
            self._reckoning.gap(change, other_scale=True)
        if measures:
            numbers, trim = self._reckoning.add(reading)
        else:
            numbers, trim = _without_news(was.numbers), was.trim
        question = nominal_doubt(reading, self._reckoning.nominal_hz, was.question)
        if question is not None and was.question is None:
            self._notes.note(reading.utc_s, reading.elapsed_s, "caution", question)
        self._notes.reading(reading, numbers, by_tool=self._reckoning.trimming.by_tool)
        self._keep_pull(reading.utc_s, reading.elapsed_s)
        # A frozen record of many fields costs least when it is built in one positional call.
        return Snapshot(
            was.counter, was.resource, was.nominal_hz, was.link, was.identity, was.time_base,
            was.gate_s, reading, numbers, was.readings + measures, was.gaps, was.last_gap,
            was.marks, self._entries.trouble, trim, was.records, was.warm_up, was.stability,
            was.elsewhere, self._notes.newest, self._reckoning.spacing_s, self._entries.not_on_disk,
            question,
        )  # fmt: skip

    def _take_gap(self, gap: Gap) -> Snapshot:
        numbers, trim = self._reckoning.gap(gap)
        self._notes.gap(gap)
        return replace(
            self._snapshot,
            numbers=numbers,
            trim=trim,
            logged_events=self._notes.newest,
            gaps=self._snapshot.gaps + 1,
            last_gap=gap,
            journal_trouble=self._entries.trouble,
            not_on_disk=self._entries.not_on_disk,
        )

    def _take_mark(self, mark: Mark) -> Snapshot:
        self._notes.mark(mark)
        return replace(
            self._snapshot,
            logged_events=self._notes.newest,
            marks=(*self._snapshot.marks, mark)[-MARKS_KEPT:],
            journal_trouble=self._entries.trouble,
            not_on_disk=self._entries.not_on_disk,
        )


def _record_in(event: Record) -> OffsetRecord:
    return OffsetRecord.from_dict(json.loads(event.document))


def _without_news(numbers: Numbers) -> Numbers:
    """Return `numbers` without what was said of the reading before only."""
    if numbers.confirmed_nudge is None and numbers.spike_at_s is None:
        return numbers
    return replace(numbers, confirmed_nudge=None, spike_at_s=None)
