"""The pipeline of one counter: its events become snapshots, and the operator may change it."""

from collections.abc import Callable, Sequence
from dataclasses import replace

from benchwatch.estimate.dial_check_record import DialCheck
from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.pipeline.analysis import Analysis
from benchwatch.pipeline.check_keeper import CheckKeeper
from benchwatch.pipeline.dial_checks import DialChecks
from benchwatch.pipeline.event_log import settled_words, tolerance_words
from benchwatch.pipeline.event_pipeline import EventPipeline
from benchwatch.pipeline.nominal import WITHOUT_MEASUREMENTS
from benchwatch.pipeline.time_base_correction import ProvenTimeBase, proof_in_use, proof_words
from benchwatch.pipeline.visit_keeper import VisitKeeper
from benchwatch.plan import Plan
from benchwatch.reading import Mark, RecordKind
from benchwatch.register import RegisterFile
from benchwatch.snapshot import Records, RelayNow, Trace, VisitNow, WarmUp


class Pipeline(EventPipeline):
    """An event pipeline that takes the operator's commands; any thread may call any method."""

    def record(self, kind: RecordKind, utc_s: float, elapsed_s: float) -> OffsetRecord:
        """Put the present offset on record, in the journal too.

        Raises:
            NoReadings: there is no offset with an uncertainty yet, or no readings come.
        """
        with self._lock:
            record = self._records.record_now(
                kind, self._snapshot, self._time_base.now, utc_s, elapsed_s
            )
            self._show(records=self._records.newest)
            return record

    def set_limits(
        self,
        utc_s: float,
        elapsed_s: float,
        *,
        tolerance: float | None = None,
        settle: SettleLimit | None = None,
    ) -> None:
        """Set new limits; None leaves the old one. Nothing that was measured is lost."""
        with self._lock:
            if tolerance is not None:
                self.plan = replace(self.plan, tolerance=tolerance)
                self._log.add_text(utc_s, elapsed_s, "setting", tolerance_words(tolerance))
            if settle is not None:
                self.plan = replace(self.plan, settle=settle)
                self._log.add_text(utc_s, elapsed_s, "setting", settled_words(settle))
            plan, analysis = self.plan, self._analysis
            self._visit.write_limits(plan)
            analysis.estimate.set_limits(plan.tolerance, plan.settle)
            analysis.trim.set_limits(plan.tolerance, plan.settle)
            self._show(
                numbers=analysis.estimate.numbers,
                warm_up=replace(self._snapshot.warm_up or WarmUp(), limit=plan.settle),
            )

    def use_proof(self, proven: ProvenTimeBase | None, utc_s: float, elapsed_s: float) -> None:
        """Correct readings by a comparison from the next one on; None: as they were again."""
        with self._lock:
            self._time_base.use_proof(proven)
            self._log.add_text(utc_s, elapsed_s, "setting", proof_words(proven))
            offset = None if proven is None else proven.reference.offset
            self._journal.write_proof(offset, self._time_base.now.source, utc_s, elapsed_s)
            self._show(proof=proof_in_use(proven))

    def show_unit_elsewhere(self, unit: str | None) -> None:
        """Show the unit that is on a counter elsewhere; its visit is not kept here."""
        with self._lock:
            self._visit.elsewhere = None if unit is None else VisitNow(unit=unit)
            self._show()

    def show_records_elsewhere(
        self, records: Records, checks: Sequence[DialCheck], utc_s: float, elapsed_s: float
    ) -> None:
        """Show what is on record of the unit of a counter elsewhere; it is not kept here."""
        with self._lock:
            self._records.show_elsewhere(records, utc_s, elapsed_s)
            self._checks.show_elsewhere(checks, elapsed_s)
            self._show(records=self._records.newest)

    def show_relay(self, now: RelayNow, text: str, utc_s: float, elapsed_s: float) -> None:
        """Show how sending to the central record stands; a `text` is logged, and not journaled."""
        with self._lock:
            if text:
                self._log.show_text(utc_s, elapsed_s, "relay", text)
            self._show(relay=now)

    def note(self, text: str, utc_s: float, elapsed_s: float) -> None:
        """Add a note to the visit, and a mark to the time line."""
        mark = Mark(counter=self.plan.name, utc_s=utc_s, elapsed_s=elapsed_s, text=text)
        self.take(mark)
        self.change_visit(lambda visit: visit.note(text))

    def change_visit(self, change: Callable[[VisitKeeper], None]) -> None:
        """Change the visit as the operator says; `change` gets its keeper."""
        with self._lock:
            try:
                change(self._visit)
            finally:
                self._show()

    @property
    def visit(self) -> VisitNow | None:
        """The visit as it is now; None without a register."""
        return self._visit.now

    @property
    def register(self) -> RegisterFile | None:
        """The register that the visit is written to; None without one."""
        return None if self._visit.writer is None else self._visit.writer.register

    def use_unit(self, plan: Plan, utc_s: float, elapsed_s: float) -> None:
        """Use the limits and working frequencies of a `plan` that was completed from a unit."""
        old = self.plan
        self.plan = replace(old, unit=plan.unit, working_hz=plan.working_hz, checks=plan.checks)
        self._checks.use(plan.checks)
        self.set_limits(
            utc_s,
            elapsed_s,
            tolerance=None if plan.tolerance == old.tolerance else plan.tolerance,
            settle=None if plan.settle == old.settle else plan.settle,
        )

    def answer_power(self, utc_s: float, elapsed_s: float, *, was_off: bool) -> None:
        """Note whether the unit was switched off before this run; if not, its warm-up goes on.

        Raises:
            UsageError: there is no register.
        """
        self.change_visit(lambda visit: visit.answer_power(utc_s, elapsed_s, was_off=was_off))
        with self._lock:
            since_s = 0.0 if was_off else self._power_on_s
            self._show(warm_up=replace(self._snapshot.warm_up or WarmUp(), since_s=since_s))

    def begin_another_visit(self, utc_s: float, elapsed_s: float) -> None:
        """Begin another visit, nameless, with a run of its own; the numbers begin anew.

        Raises:
            UsageError: there is no register.
        """
        with self._lock:
            self._visit.begin_another(utc_s)
            plan = self.plan = replace(self.plan, unit=None)
            tool_on = self._analysis.trim.tool.on
            self._analysis = Analysis(self._analysis.nominal_hz, plan.tolerance, plan.settle)
            self._analysis.trim.resume((), None, known=False, tool_on=tool_on)
            self._records.newest, self._earlier_trace = None, Trace()
            self._checks.begin_anew(plan.checks)
            warm_up = WarmUp(since_s=elapsed_s, limit=plan.settle)
            self._show(**WITHOUT_MEASUREMENTS, warm_up=warm_up)

    @property
    def checks(self) -> CheckKeeper:
        """The checks at other dial settings; they are changed by `change_checks` only."""
        return self._checks

    @property
    def resumed_nominal(self) -> float | None:
        """Nominal of the earlier runs, in hertz; None if not known, or after the first reading."""
        return self._resumed_hz

    def change_checks(self, change: Callable[[DialChecks], None]) -> None:
        """Finish the open check, put it on record, and change the walk as the operator says."""
        with self._lock:
            self._checks.finish(self._analysis, self._snapshot, self.plan.tolerance)
            self._checks.change(change)
            self._checks.judge(self._analysis, self._snapshot, self.plan.tolerance)
            self._show()

    def say_dialled(self) -> None:
        """Note that the person says that the unit is dialled as instructed."""
        with self._lock:
            self._checks.change(DialChecks.say_dialled)
            self._show()
