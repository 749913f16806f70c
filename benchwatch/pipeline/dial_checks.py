"""The checks of one unit at other dial settings: the walk through them, and their readings.

While the unit is dialled elsewhere its main estimate stands still. Nothing is set on the counter:
the readings themselves say where the unit is dialled to.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

from benchwatch.estimate.dial_check import (
    CANT_TELL,
    DIALLING_S,
    READINGS_THERE,
    CheckNumbers,
    MainWait,
    check_numbers,
    foretell,
    limit_of,
    mean_there,
    wait_at_main,
)
from benchwatch.estimate.dial_check_record import DialCheck
from benchwatch.estimate.results import Estimate, Settle
from benchwatch.pipeline.dial_check_words import (
    CAUTIONS,
    NO_COUNT_WORDS,
    back_words,
    dial_words,
    done_words,
    followed_words,
    reading_words,
    verdict_words,
    wait_words,
)
from benchwatch.reading import Reading
from benchwatch.snapshot import CheckPhase, CheckRow, ChecksNow

LEFT_OUT_READINGS: Final = 1
"""Readings left out after the unit was dialled: common practice, no source."""
MOST_READINGS: Final = 5000
"""Readings of one check that are used; further ones change nothing."""
Ahead = Callable[[float, int], tuple[float, float] | None]
"""Returns what the mean of later readings will differ by, and the variance of that; see
`benchwatch.estimate.live_estimate.LiveEstimate.ahead`."""


@dataclass(slots=True)
class _OpenCheck:
    """The check that is under way."""

    setting_hz: float
    said: bool = False
    """Whether the person has said that the unit is dialled."""
    to_leave_out: int = LEFT_OUT_READINGS
    offsets: list[float] = field(default_factory=list)
    first_s: float = 0.0
    newest_s: float = 0.0
    utc_s: float = 0.0
    began_utc_s: float | None = None
    quantum: float = 0.0
    overrange: int = 0
    """Readings over range since the check was opened."""
    wait: MainWait | None = None
    """What to wait for at the main setting before the unit is dialled; None: nothing."""
    numbers: CheckNumbers | None = None
    recorded: DialCheck | None = None
    """As it was put on record when its verdict first stood."""

    def record(self, nominal_hz: float) -> DialCheck | None:
        """Return the check as it goes on record; None where nothing was read."""
        if self.numbers is None:
            return None
        return DialCheck.of(self.numbers, self.setting_hz, nominal_hz, self.utc_s, self.began_utc_s)


class DialChecks:
    """The walk through the dial settings of one unit; called with the pipeline's lock held.

    Args:
        settings: the settings to check, in hertz, in their order.
    """

    def __init__(self, settings: Sequence[float] = ()) -> None:
        self._settings = list(dict.fromkeys(settings))
        self._done: dict[float, DialCheck] = {}
        self._walk: list[float] = []
        """Settings that are still to come in this walk."""
        self._walked = 0
        self._open: _OpenCheck | None = None
        self._goes_back = False
        """Whether the unit is to be dialled back to the main setting."""
        self.dialled_hz: float | None = None
        """The setting of the newest reading, in hertz; None: the main one."""
        self._reading: Reading | None = None
        self._limit: float | None = None
        """Limit of the difference under the present tolerance, fractional; None without one."""

    # ------------------------------------------------------------ commands

    def use(self, settings: Sequence[float]) -> None:
        """Take the settings of another unit; what was checked stays."""
        self._settings = list(dict.fromkeys(settings))

    def resume(self, done: Sequence[DialCheck], dialled_hz: float | None) -> None:
        """Start with the checks of earlier runs, and with where the unit was dialled to last."""
        self._done |= {one.setting_hz: one for one in done}
        self.dialled_hz = dialled_hz
        self._goes_back = dialled_hz is not None

    def take_over(self, done: Sequence[DialCheck]) -> Sequence[DialCheck]:
        """Have these checks and no others; return those that were there before."""
        before, self._done = self._done, {one.setting_hz: one for one in done}
        return tuple(before.values())

    def next_settings(self) -> list[float]:
        """Return the settings of the list that are not checked yet; all, where all are."""
        left = [hertz for hertz in self._settings if hertz not in self._done]
        return left or list(self._settings)

    @property
    def settings(self) -> tuple[float, ...]:
        """The settings of the list, in hertz."""
        return tuple(self._settings)

    @property
    def is_open(self) -> bool:
        """Whether a check is open."""
        return self._open is not None

    @property
    def is_left(self) -> bool:
        """Whether no check is open and the unit is dialled elsewhere."""
        return self._open is None and self._goes_back

    def begin(self, settings: Sequence[float]) -> None:
        """Begin a walk through settings, at least one."""
        self._walk, self._walked = list(settings), 0
        self.open_next()

    def open_next(self) -> None:
        """Open the next check of the walk; after the last one the unit is to be dialled back."""
        self._open = None
        if self._walk:
            self._walked += 1
            self._open = _OpenCheck(self._walk.pop(0))
            self._goes_back = False
        else:
            self._goes_back = self.dialled_hz is not None

    def say_dialled(self) -> None:
        """Note that the person says that the unit is dialled to the setting."""
        if self._open is not None:
            self._open.said = True

    def stop(self) -> None:
        """End the walk; where the unit is dialled elsewhere, it is to be dialled back."""
        self._walk = []
        self.open_next()

    # ------------------------------------------------------------ readings

    def take(self, reading: Reading) -> bool:
        """Take a reading at another setting; return whether the unit was dialled just now."""
        is_new = self.dialled_hz != reading.dial_hz
        self.dialled_hz, self._reading = reading.dial_hz, reading
        now = self._open
        if now is None:
            self._goes_back = True
            return is_new
        if reading.dial_hz != now.setting_hz:
            return is_new
        if is_new:
            now.to_leave_out = LEFT_OUT_READINGS
        if now.to_leave_out:
            now.to_leave_out -= 1
            return is_new
        if len(now.offsets) < MOST_READINGS:
            if not now.offsets:
                now.first_s, now.began_utc_s = reading.elapsed_s, reading.utc_s
            now.offsets.append(reading.offset)
            now.newest_s, now.utc_s = reading.elapsed_s, reading.utc_s
            now.quantum = reading.resolution_hz / now.setting_hz
        return is_new

    def take_overrange(self) -> None:
        """Note that the counter reads nothing usable where the unit is dialled to."""
        if self._open is not None:
            self._open.overrange += 1

    def take_main(self) -> None:
        """Note that a reading came at the main setting."""
        self.dialled_hz, self._reading, self._goes_back = None, None, False
        if self._open is None and self._walk:
            self.open_next()

    # ------------------------------------------------------------ numbers

    def judge(
        self,
        estimate: Estimate | None,
        main_s: float,
        ahead: Ahead,
        tolerance: float | None,
        settle: Settle | None = None,
    ) -> None:
        """Work out the numbers of the open check, or what to wait for before dialling.

        Args:
            estimate: the offset at the main setting.
            main_s: time of the newest reading there, seconds of the run.
            ahead: what the mean of later readings will differ by.
            tolerance: of the unit, fractional; None without one.
            settle: whether the unit has settled; None where that was not asked.
        """
        now, self._limit = self._open, limit_of(tolerance)
        if now is None:
            return
        if not now.offsets:
            now.wait = None
            if self.dialled_hz is None:
                moved = ahead(DIALLING_S, READINGS_THERE)
                then = None if moved is None else foretell(estimate, moved[0], moved[1] ** 0.5)
                span_s = 0.0 if estimate is None else estimate.span_s
                now.wait = wait_at_main(then, tolerance, span_s, settle)
            return
        count = len(now.offsets)
        moved = ahead((now.first_s + now.newest_s) / 2.0 - main_s, count)
        foretold = None
        if moved is not None:
            foretold = foretell(estimate, moved[0], moved[1] ** 0.5)
        now.numbers = check_numbers(foretold, mean_there(now.offsets, now.quantum), tolerance)

    @property
    def recorded(self) -> DialCheck | None:
        """The open check as it was put on record when its verdict first stood; None: not yet."""
        return None if self._open is None else self._open.recorded

    def newly_told(self, nominal_hz: float) -> DialCheck | None:
        """Return the open check once its verdict first stands; None before, and afterwards."""
        now = self._open
        if now is None or now.numbers is None or now.recorded is not None:
            return None
        found = now.record(nominal_hz)
        if found is None or found.verdict == CANT_TELL:
            return None
        now.recorded = self._done[now.setting_hz] = found
        return found

    def finish(self, nominal_hz: float) -> DialCheck | None:
        """Finish the open check; return it, or None where nothing was read."""
        now, self._open = self._open, None
        if now is None:
            return None
        found = now.record(nominal_hz)
        if found is not None:
            self._done[now.setting_hz] = found
        return found

    def now(self, nominal_hz: float, walker: str = "") -> ChecksNow | None:
        """Return what a front end shows; None where there is nothing to check or to show.

        Args:
            nominal_hz: the main setting, in hertz.
            walker: the counter whose walk dials this unit just now; empty: none.
        """
        settings = list(dict.fromkeys([*self._settings, *self._done, *self._at, *self._walk]))
        if not settings and not self._goes_back:
            return None
        phase = self._phase(walker)
        return ChecksNow(
            rows=tuple(self._row(hertz) for hertz in settings),
            phase=phase,
            setting_hz=None if self._open is None else self._open.setting_hz,
            dialled_hz=self.dialled_hz,
            reading=self._reading,
            instruction=self._instruction(phase, nominal_hz, walker),
            cautions=CAUTIONS if phase is not None else (),
        )

    @property
    def _at(self) -> list[float]:
        return [] if self._open is None else [self._open.setting_hz]

    def _phase(self, walker: str) -> CheckPhase | None:
        now = self._open
        if now is not None:
            return "reading" if self.dialled_hz == now.setting_hz else "dial"
        return "back" if self._goes_back and not walker else None

    def _instruction(self, phase: CheckPhase | None, nominal_hz: float, walker: str) -> str:
        now = self._open
        if phase == "back":
            return back_words(self.dialled_hz, nominal_hz)
        if now is None:
            followed = walker and self.dialled_hz is not None
            return followed_words(self.dialled_hz or 0.0, walker) if followed else ""
        if phase == "dial":
            if now.wait is not None and not now.said and self.dialled_hz is None:
                return wait_words(now.wait, now.setting_hz)
            return dial_words(
                now.setting_hz,
                place=self._walked,
                of=self._walked + len(self._walk),
                said=now.said,
                dialled_hz=self.dialled_hz,
            )
        return reading_words(now.setting_hz, len(now.offsets), now.numbers)

    def _row(self, hertz: float) -> CheckRow:
        now = self._open
        if now is not None and now.setting_hz == hertz:
            words = "" if now.numbers is None else verdict_words(now.numbers)
            if now.overrange and not now.offsets:
                words = NO_COUNT_WORDS
            return CheckRow(setting_hz=hertz, check=now.record(1.0), is_open=True, words=words)
        done = self._done.get(hertz)
        words = "" if done is None else done_words(done, self._limit)
        return CheckRow(setting_hz=hertz, check=done, words=words)
