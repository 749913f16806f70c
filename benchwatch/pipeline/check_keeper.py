"""Keeps the checks of one counter: readings at other dial settings in, entries on record out."""

import json
from collections.abc import Callable, Sequence

from benchwatch.estimate.dial_check_record import DialCheck
from benchwatch.journal.run_writer import RunWriter
from benchwatch.pipeline.analysis import Analysis
from benchwatch.pipeline.dial_checks import DialChecks
from benchwatch.pipeline.visit_keeper import VisitKeeper
from benchwatch.reading import CheckMade, Reading
from benchwatch.snapshot import ChecksNow, Snapshot


class CheckKeeper:
    """Passes readings to the checks, and finished checks to journal, register and event log.

    Args:
        settings: the settings to check, in hertz.
        journal: the run in the journal.
        visit: the visit that the checks belong to.
    """

    def __init__(self, settings: Sequence[float], journal: RunWriter, visit: VisitKeeper) -> None:
        self._checks, self._journal, self._visit = DialChecks(settings), journal, visit
        self._elapsed_s = 0.0
        """Time of the newest reading at another setting, seconds of the run."""

    @property
    def dialled_hz(self) -> float | None:
        """The other setting that the newest reading was taken at; None: the main one."""
        return self._checks.dialled_hz

    @property
    def is_open(self) -> bool:
        """Whether a check is open."""
        return self._checks.is_open

    def now(self, nominal_hz: float) -> ChecksNow | None:
        """Return what a front end shows; None without checks."""
        return self._checks.now(nominal_hz)

    def begin_anew(self, settings: Sequence[float]) -> None:
        """Forget what was checked: another unit is on the bench, or the nominal changed."""
        self._checks = DialChecks(settings)

    def use(self, settings: Sequence[float]) -> None:
        """Take the settings of a unit."""
        self._checks.use(settings)

    def resume(self, done: Sequence[DialCheck], dialled_hz: float | None) -> None:
        """Start with the checks of earlier runs, and with where the unit was dialled to last."""
        self._checks.resume(done, dialled_hz)

    def take(self, reading: Reading) -> None:
        """Take a reading at another setting."""
        self._elapsed_s = reading.elapsed_s
        if self._checks.take(reading):
            self._journal.write_dialled(reading.dial_hz, reading.utc_s, reading.elapsed_s)

    def take_recorded(self, event: CheckMade) -> None:
        """Take a check of a recording."""
        check = DialCheck.from_dict(json.loads(event.document))
        self._checks.resume([check], self._checks.dialled_hz)
        self._visit.log_check(check, event.elapsed_s)

    def take_overrange(self) -> None:
        """Note a reading over range."""
        self._checks.take_overrange()

    def judge(self, analysis: Analysis, now: Snapshot, tolerance: float | None) -> None:
        """Work out the open check; put it on record when its verdict first stands."""
        self._work_out(analysis, now, tolerance)
        check = self._checks.newly_told(analysis.nominal_hz)
        if check is not None:
            self._visit.write_check(check, self._elapsed_s)

    def finish(self, analysis: Analysis, now: Snapshot, tolerance: float | None) -> None:
        """Finish the open check, if there is one, and put it on record."""
        self._work_out(analysis, now, tolerance)
        known, check = self._checks.recorded, self._checks.finish(analysis.nominal_hz)
        if check is None:
            return
        if check != known:
            self._visit.write_check(check, self._elapsed_s)
        self._visit.log_check(check, self._elapsed_s)

    def finish_if_read(self, analysis: Analysis, now: Snapshot, tolerance: float | None) -> None:
        """Finish the open check if readings were taken there: the unit is dialled back."""
        if self._checks.dialled_hz is not None:
            self.finish(analysis, now, tolerance)

    def come_back(self, utc_s: float, elapsed_s: float) -> None:
        """Note that the unit is at the main setting again."""
        self._checks.take_main()
        self._journal.write_dialled(None, utc_s, elapsed_s)

    def change(self, change: Callable[[DialChecks], None]) -> None:
        """Change the walk as the operator says."""
        change(self._checks)

    def next_settings(self) -> list[float]:
        """Return the settings of the list that are not checked yet, in hertz; all, if all are."""
        return self._checks.next_settings()

    @property
    def settings(self) -> tuple[float, ...]:
        """The settings of the list, in hertz."""
        return self._checks.settings

    def _work_out(self, analysis: Analysis, now: Snapshot, tolerance: float | None) -> None:
        main_s = 0.0 if now.reading is None else now.reading.elapsed_s
        self._checks.judge(now.numbers.estimate, main_s, analysis.estimate.ahead, tolerance)
