"""Keeps the checks of one counter: readings at other dial settings in, entries on record out."""

import json
from collections.abc import Callable, Sequence
from typing import Any, Final

from benchwatch.estimate.dial_check_record import DialCheck
from benchwatch.journal.run_writer import RunWriter
from benchwatch.pipeline.analysis import Analysis
from benchwatch.pipeline.dial_checks import DialChecks
from benchwatch.pipeline.time_base_correction import TimeBaseCorrection
from benchwatch.pipeline.visit_keeper import VisitKeeper
from benchwatch.reading import CheckMade, Reading
from benchwatch.snapshot import ChecksNow, Snapshot

JUDGED_EVERY_S: Final = 1.0
"""Shortest time between two judgements of the open check by its readings."""
INSTANT_S: Final = 1e-6
"""Two times this close are the same."""


class CheckKeeper:
    """Passes readings to the checks, and finished checks to journal, register and event log.

    Args:
        settings: the settings to check, in hertz.
        journal: the run in the journal.
        visit: the visit that the checks belong to.
    """

    def __init__(self, settings: Sequence[float], journal: RunWriter, visit: VisitKeeper) -> None:
        self._checks, self._journal, self._visit = DialChecks(settings), journal, visit
        self._judged_s = 0.0
        self._elapsed_s = 0.0
        """Time of the newest reading at another setting, seconds of the run."""
        self.walked_by: Callable[[], str] = str
        """Returns the other counter whose walk dials this unit just now; empty: none does."""

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
        return self._checks.now(nominal_hz, self.walked_by() if self._checks.is_left else "")

    def begin_anew(self, settings: Sequence[float]) -> None:
        """Forget what was checked: another unit is on the bench, or the nominal changed."""
        self._checks = DialChecks(settings)

    def use(self, settings: Sequence[float]) -> None:
        """Take the settings of a unit."""
        self._checks.use(settings)

    def resume(self, done: Sequence[DialCheck], dialled_hz: float | None) -> None:
        """Start with the checks of earlier runs, and with where the unit was dialled to last."""
        self._checks.resume(done, dialled_hz)

    def take(
        self,
        reading: Reading,
        analysis: Analysis,
        time_base: TimeBaseCorrection,
        now: Snapshot,
        tolerance: float | None,
    ) -> dict[str, Any]:
        """Take a reading at another setting, or over range: it belongs to the checks only.

        Args:
            reading: as read.
            analysis: of the main setting; it begins anew where another time base counts.
            time_base: corrects the reading.
            now: the state before it.
            tolerance: of the unit, fractional; None without one.

        Returns:
            Fields of the snapshot that change.
        """
        if reading.dial_hz is None:
            self._checks.take_overrange()
            return {}
        reading, changed = time_base.take(reading, now.time_base.source, reading.dial_hz)
        self._elapsed_s = reading.elapsed_s
        if self._checks.take(reading):
            self._journal.write_dialled(reading.dial_hz, reading.utc_s, reading.elapsed_s)
        if abs(reading.elapsed_s - self._judged_s) >= JUDGED_EVERY_S:
            self._judged_s = reading.elapsed_s
            self.judge(analysis, now, tolerance)
        if not changed:
            return {}
        numbers, trim = analysis.gap(0.0, other_scale=True)
        return {"numbers": numbers, "trim": trim}

    def take_recorded(self, event: CheckMade) -> None:
        """Take a check of a recording."""
        check = DialCheck.from_dict(json.loads(event.document))
        self._checks.resume([check], self._checks.dialled_hz)
        self._visit.log_check(check, event.elapsed_s)

    def show_elsewhere(self, done: Sequence[DialCheck], elapsed_s: float) -> None:
        """Take over the checks that the station of a counter elsewhere states; log new ones."""
        before = self._checks.take_over(done)
        for check in done:
            if check not in before:
                self._visit.log_check(check, elapsed_s)

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

    def come_back(
        self, reading: Reading, analysis: Analysis, now: Snapshot, tolerance: float | None
    ) -> dict[str, Any]:
        """Finish the open check: `reading` came at the main setting, which begins a new level.

        A turn of the trimmer can't be seen over the time in which the unit was dialled elsewhere.

        Returns:
            Fields of the snapshot that change.
        """
        self.finish(analysis, now, tolerance)
        self._checks.take_main()
        at_s, gap = reading.elapsed_s, now.last_gap
        self._journal.write_dialled(None, reading.utc_s, at_s)
        if gap is not None and gap.elapsed_s <= at_s <= gap.elapsed_s + gap.lasted_s + INSTANT_S:
            return {}
        # Typed readings have no gaps.
        since_s = at_s if now.reading is None else now.reading.elapsed_s
        numbers, trim = analysis.gap(max(at_s - since_s, 0.0), new_level=True)
        return {"numbers": numbers, "trim": trim}

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
        numbers, ahead = now.numbers, analysis.estimate.ahead
        self._checks.judge(numbers.estimate, main_s, ahead, tolerance, numbers.settle)
