"""The way of one counter's events, live or replayed, to snapshots.

`EventPipeline.take` passes a reading to the journal, the time base correction, the analysis and the
event log, in this order, and puts the results in a new `Snapshot`.
"""

import json
import threading
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from benchwatch.acquire import CounterStatus
from benchwatch.counter import LinkStatus
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.journal import Journal
from benchwatch.journal.resume import EarlierRuns
from benchwatch.journal.run_writer import RunWriter, run_of
from benchwatch.pipeline.analysis import Analysis
from benchwatch.pipeline.check_keeper import CheckKeeper
from benchwatch.pipeline.event_log import EventLog
from benchwatch.pipeline.history import with_earlier
from benchwatch.pipeline.nominal import (
    WITHOUT_MEASUREMENTS,
    has_turned,
    nominal_doubt,
    nominal_words,
)
from benchwatch.pipeline.record_keeper import RecordKeeper
from benchwatch.pipeline.reference_ratio import reference_now
from benchwatch.pipeline.slow_statistics import elsewhere_now, warm_up_now
from benchwatch.pipeline.time_base_correction import (
    TimeBaseCorrection,
)
from benchwatch.pipeline.visit_keeper import VisitKeeper
from benchwatch.plan import DOUBTFUL_OFFSET, Plan
from benchwatch.reading import (
    DIALLED,
    NO_MEASUREMENT,
    OVERRANGE,
    REPEAT,
    TOOL_WORDS,
    CheckMade,
    Event,
    Gap,
    Mark,
    Reading,
    Record,
    Touch,
)
from benchwatch.register.visit_writer import VisitWriter
from benchwatch.snapshot import RelayNow, Snapshot, Trace, WarmUp

if TYPE_CHECKING:
    from collections.abc import Callable

MARKS_KEPT: Final = 100
"""Newest marks in a snapshot; the journal has them all."""


class EventPipeline:
    """Turns events of one counter into snapshots; any thread may read the newest snapshot.

    Args:
        plan: the counter, and its limits and settings.
        journal: where events are written first; None: nowhere.
        utc_s: when the run began, Unix seconds.
        watch: key shared by the counters of one watch.
        earlier: results of the earlier runs that this run goes on with.
        visit: the visit that the readings belong to; None: none, nothing goes to a register.
    """

    def __init__(
        self,
        plan: Plan,
        *,
        journal: Journal | None = None,
        utc_s: float = 0.0,
        watch: int = 0,
        earlier: EarlierRuns | None = None,
        visit: VisitWriter | None = None,
    ) -> None:
        self.plan = plan
        self.on_taken: Callable[[Event, Snapshot], None] | None = None
        """Called with every event and the snapshot after it, in their order; it must be quick, and
        call nothing of the pipeline."""
        self._lock = threading.Lock()
        nominal_hz = float("nan") if plan.nominal is None else float(plan.nominal)
        self._analysis = Analysis(nominal_hz, plan.tolerance, plan.settle)
        self._time_base = TimeBaseCorrection(plan)
        run = run_of(plan, utc_s, watch, () if earlier is None else earlier.runs)
        self._journal = RunWriter(journal, run, () if earlier is None else earlier.samples)
        self._every_s = 0.0
        """Least seconds between two readings, as far as not each is asked for."""
        self._number: int | None = None
        """Number in the journal of the newest reading, gap or mark."""
        self._log = EventLog(self._journal.write_logged)
        self._visit = VisitKeeper(visit, self._journal, self._log, plan)
        self._records = RecordKeeper(self._journal, self._log, visit)
        self._checks = CheckKeeper(plan.checks, self._journal, self._visit)
        self._earlier_trace, self._power_on_s = Trace(), 0.0
        """Readings of earlier runs for the charts, and when the first of them began."""
        self._resumed_hz: float | None = None
        """Nominal of the earlier runs; None if not known."""
        self._snapshot = Snapshot(
            counter=plan.name,
            resource=plan.resource,
            nominal_hz=nominal_hz,
            link=LinkStatus("connecting", 0.0),
            warm_up=WarmUp(limit=plan.settle),
            visit=self._visit.now,
            checks=self._checks.now(nominal_hz),
            run=self._journal.kept_key,
            station=plan.station,
        )
        if earlier is not None:
            self._resume(earlier, utc_s)

    @property
    def snapshot(self) -> Snapshot:
        """The newest state."""
        return self._snapshot

    def trace(self, span_s: float, points: int) -> Trace:
        """Return the last `span_s` seconds, nan at gaps: at most `points` points of this run.

        Points of earlier runs of the visit come before them.
        """
        trace = self._analysis.history.trace(span_s, points)
        reading = self._snapshot.reading
        now_s = 0.0 if reading is None else reading.elapsed_s
        return with_earlier(self._earlier_trace, trace, now_s - span_s)

    def take(self, event: Event) -> Snapshot:
        """Write `event` to the journal, then update the numbers; return the new snapshot."""
        with self._lock:
            if isinstance(event, Touch):
                self._take_touch(event)
            elif isinstance(event, CheckMade):
                self._checks.take_recorded(event)
                self._show()
            elif isinstance(event, Record):
                record = OffsetRecord.from_dict(json.loads(event.document))
                self._records.add(record, event.utc_s, event.elapsed_s)
                self._show(records=self._records.newest)
            else:
                self._number = self._journal.write(event)
                if isinstance(event, Reading):
                    self._take_reading(event)
                elif isinstance(event, Gap):
                    self._take_gap(event)
                else:
                    self._take_mark(event)
            if self.on_taken is not None:
                self.on_taken(event, self._snapshot)
            return self._snapshot

    @property
    def _spacing_s(self) -> float | None:
        """The usual time between two readings, or what was asked for if that is longer."""
        usual_s = self._analysis.spacing.usual_s
        return None if usual_s is None else max(usual_s, self._every_s)

    def connect(self, now: CounterStatus) -> Snapshot:
        """Update the link's state and the counter's properties; return the new snapshot."""
        with self._lock:
            if now.nominal is not None:
                self._take_nominal(float(now.nominal))
            self._every_s = now.every_s
            self._show(
                link=now.link,
                identity=now.identity,
                time_base=now.time_base,
                gate_s=now.gate_s,
                nominal_hz=self._analysis.nominal_hz,
                relay=self._snapshot.relay if self.plan.station is None else _relay_there(now),
                spacing_s=self._spacing_s,
            )
            self._journal.update_run(
                identity="" if now.identity is None else now.identity.text,
                time_base=now.time_base.source,
                gate_s=now.gate_s,
                nominal_hz=now.nominal,
            )
            return self._snapshot

    def end(self, utc_s: float, elapsed_s: float, reason: str) -> Snapshot:
        """End the run; write `reason` to the journal and the snapshot."""
        self.visit_is_closed()  # another program may have closed it: the last words depend on it
        with self._lock:
            self._journal.update_run(ended_utc_s=utc_s, end_reason=reason)
            self._show(link=LinkStatus("ended", elapsed_s, reason))
            return self._snapshot

    def visit_is_closed(self) -> bool:
        """Return whether the visit is closed, perhaps by another program, and show that it is."""
        with self._lock:
            closed = self._visit.is_closed
            self._show()
            return closed

    def refresh(self) -> None:
        """Update the slow statistics; called about once a second, as it may take a while."""
        stability = self._analysis.stability.now(self._analysis.history)
        now = self._snapshot
        elsewhere = elsewhere_now(now.numbers.estimate, now.nominal_hz, self.plan.working_hz)
        with self._lock:
            fit = self._analysis.estimate.warm_up_fit()
            now_s = 0.0 if now.reading is None else now.reading.elapsed_s
            warm_up = warm_up_now(self._snapshot.warm_up or WarmUp(), fit, now_s)
            reference = reference_now(self._time_base.now, self.plan.tolerance)
            self._checks.judge(self._analysis, self._snapshot, self.plan.tolerance)
            self._show(
                stability=stability, elsewhere=elsewhere, warm_up=warm_up, reference=reference
            )

    # ------------------------------------------------------------ called with the lock held

    def _begin_visit(self) -> None:
        """Put the visit, or this run of it, into the register: the first reading has come."""
        self._visit.begin(self._analysis.nominal_hz, self.plan)
        self._show()

    def _take_reading(self, reading: Reading) -> None:
        if self._visit.begins:
            self._begin_visit()
        if reading.dial_hz is not None or (OVERRANGE in reading.flags and self._checks.is_open):
            base, limit = self._time_base, self.plan.tolerance
            self._show(**self._checks.take(reading, self._analysis, base, self._snapshot, limit))
            return
        if self._checks.dialled_hz is not None and REPEAT not in reading.flags:
            tolerance = self.plan.tolerance
            changes = self._checks.come_back(reading, self._analysis, self._snapshot, tolerance)
            self._show(**changes)
        was, analysis = self._snapshot, self._analysis
        measures = reading.flags.isdisjoint(NO_MEASUREMENT)
        reading, changed = self._time_base.take(reading, was.time_base.source, analysis.nominal_hz)
        if changed:
            # Readings step because the time base changed, and not because of a turn.
            analysis.gap(0.0, other_scale=True)
        if not measures:
            numbers, trim = was.numbers.without_news(), was.trim
        else:
            numbers, trim = analysis.add(reading)
        question = None
        if not abs(reading.offset) <= DOUBTFUL_OFFSET:  # too far off, or nan
            question = nominal_doubt(reading, analysis.nominal_hz, was.question)
        if question is not None and was.question is None:
            self._log.add_text(reading.utc_s, reading.elapsed_s, "caution", question)
        turn = None if trim is None else trim.turn
        self._log.add_reading(reading, numbers, by_tool=analysis.trim.by_tool, turn=turn)
        if trim is not None and (was.trim is None or trim.tool is not was.trim.tool):
            self._write_tool_pull(reading.utc_s, reading.elapsed_s)
            self._log.add_pull(reading, trim.tool)
        # `replace` would take twice as long, and this runs with every reading.
        self._snapshot = Snapshot(
            counter=was.counter, resource=was.resource, nominal_hz=was.nominal_hz, link=was.link,
            identity=was.identity, time_base=was.time_base, gate_s=was.gate_s, reading=reading,
            numbers=numbers, readings=was.readings + measures, gaps=was.gaps,
            last_gap=was.last_gap, marks=was.marks, journal_trouble=self._journal.trouble,
            trim=trim, records=was.records, warm_up=was.warm_up, stability=was.stability,
            elsewhere=was.elsewhere, logged_events=self._log.newest,
            spacing_s=self._spacing_s, not_on_disk=self._journal.not_on_disk,
            question=question, visit=was.visit, reference=was.reference, proof=was.proof,
            checks=was.checks, run=self._journal.kept_key, number=self._number, relay=was.relay,
            station=was.station,
        )  # fmt: skip
        if numbers.confirmed_nudge is not None:
            self._keep_as_found(reading)

    def _take_gap(self, gap: Gap) -> None:
        self._checks.finish_if_read(self._analysis, self._snapshot, self.plan.tolerance)
        new_level = gap.reason.startswith(DIALLED)
        numbers, trim = self._analysis.gap(gap.lasted_s, new_level=new_level)
        self._log.add_gap(gap)
        self._show(
            numbers=numbers,
            trim=trim,
            gaps=self._snapshot.gaps + 1,
            last_gap=gap,
        )

    def _take_mark(self, mark: Mark) -> None:
        self._log.add_text(mark.utc_s, mark.elapsed_s, "mark", mark.text)
        self._show(marks=(*self._snapshot.marks, mark)[-MARKS_KEPT:])

    def _take_touch(self, touch: Touch) -> None:
        trim = self._analysis.touch(touch.elapsed_s, on=touch.on)
        self._log.add_text(touch.utc_s, touch.elapsed_s, "tool", TOOL_WORDS[touch.on])
        self._write_tool_pull(touch.utc_s, touch.elapsed_s)
        self._show(trim=trim)

    def _show(self, **changes: Any) -> None:
        """Put `changes`, the visit, the log and the state of the journal in the snapshot."""
        self._snapshot = replace(
            self._snapshot,
            logged_events=self._log.newest,
            visit=self._visit.now,
            journal_trouble=self._journal.trouble,
            not_on_disk=self._journal.not_on_disk,
            checks=self._checks.now(self._analysis.nominal_hz),
            run=self._journal.kept_key,
            number=self._number,
            **changes,
        )

    def _write_tool_pull(self, utc_s: float, elapsed_s: float) -> None:
        """Write the tool's measured pulls to the journal, for a run that continues this one."""
        samples = self._analysis.trim.samples
        self._journal.write_tool_pull(samples, utc_s, elapsed_s)
        if self._visit.writer is not None:
            self._visit.writer.write_pulls(samples)

    def _keep_as_found(self, reading: Reading) -> None:
        """At the first nudge, put the quiet stretch before it on record automatically."""
        quiet = self._analysis.trim.found
        if quiet is None or not quiet.frozen or self._records.has_as_found:
            return
        if self.plan.station is not None:  # it is put on record there
            return
        if self._visit.is_closed:  # the next unit may be on the bench already
            return
        counted_by = self._time_base.at(quiet.elapsed_s)
        self._records.keep_as_found(quiet, self._snapshot, counted_by, reading, self.plan.tolerance)
        self._show(records=self._records.newest)

    def _take_nominal(self, nominal_hz: float) -> None:
        """Set the nominal; restart the analysis if earlier readings had another nominal.

        Records under the other nominal leave the snapshot and stay in the journal. Once the
        trimmer was turned, no as found is recorded automatically in their place.
        """
        was, before_hz = self._snapshot, self._analysis.nominal_hz
        if was.reading is None:
            before_hz = nominal_hz if self._resumed_hz is None else self._resumed_hz
        self._resumed_hz = None
        if nominal_hz == before_hz:
            self._analysis.nominal_hz = nominal_hz
            return
        self._analysis = self._analysis.under(nominal_hz, self.plan, has_turned=has_turned(was))
        self._records.newest, self._earlier_trace = None, Trace()
        self._checks.begin_anew(self.plan.checks)
        utc_s, elapsed_s = self._journal.started_utc_s, 0.0
        if was.reading is not None:
            utc_s, elapsed_s = was.reading.utc_s, was.reading.elapsed_s
        self._log.add_text(utc_s, elapsed_s, "setting", nominal_words(nominal_hz, before_hz, was))
        self._show(**WITHOUT_MEASUREMENTS)

    def _resume(self, earlier: EarlierRuns, utc_s: float) -> None:
        """Go on with earlier runs."""
        self._resumed_hz = None if earlier.nominal is None else float(earlier.nominal)
        self._earlier_trace, self._power_on_s = earlier.trace, earlier.power_on_s
        self._records.resume(earlier.records)
        self._checks.resume(earlier.checks, earlier.dialled_hz)
        trim = self._analysis.resume(earlier, as_found_known=self._records.has_as_found)
        self._log.resume(earlier, utc_s, self._visit.now)
        asks = self._visit.now is not None and self._visit.now.asks_power
        since_s = 0.0 if asks else self._power_on_s
        warm_up = WarmUp(since_s=since_s, limit=self.plan.settle)
        self._show(trim=trim, records=self._records.newest, warm_up=warm_up)


def _relay_there(now: CounterStatus) -> RelayNow | None:
    """Return how the station of a counter elsewhere stands with sending; None: it keeps up."""
    return None if now.unsent is None else RelayNow(unsent=now.unsent, behind=True)
