"""What the operator does in the walk through the dial settings of one unit.

Nothing is set on the counter: the acquisition is only told near which other setting readings are
accepted.
"""

import math
from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import Final

from benchwatch.errors import UsageError
from benchwatch.pipeline.dial_checks import DialChecks
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.quantity import format_frequency, parse_frequency, printable
from benchwatch.run.any_acquisition import AnyAcquisition

STOP: Final = "stop"
"""Typed instead of a setting: ends the walk."""
HIGHEST_HZ: Final = 1e12
"""No counter counts a higher frequency."""
ALL: Final = "all"
"""Typed instead of a setting: walks through the whole list again."""
Change = Callable[[DialChecks], None]
NO_LIST: Final = (
    "there is no list of dial settings: type one, such as check 100MHz, or state them in the bench "
    "file (checks) or with benchwatch units set IDENT --check 100MHz."
)


class CheckWalk:
    """The walk of one counter of a live watch; any thread may call any method.

    Args:
        pipeline: has the checks.
    """

    def __init__(self, pipeline: Pipeline) -> None:
        self._pipeline = pipeline
        self.same_signal: Callable[[], Sequence[AnyAcquisition]] = tuple
        """Returns the acquisitions of the other counters that count the same unit."""

    def begin(self, text: str, acquisition: AnyAcquisition | None) -> str:
        """Begin as typed: a setting, the next ones of the list (empty), ``all`` or ``stop``.

        Returns:
            A sentence for the operator.

        Raises:
            QuantityError: the text is no frequency.
            UsageError: it is the main setting; there is no list, or no nominal yet; or another
                counter on the signal checks the unit already.
        """
        typed = text.strip().lower()
        if typed == STOP:
            return self.stop()
        walker = printable(self._pipeline.checks.walked_by())
        if walker:
            raise UsageError(
                f"{walker} checks this unit now: go on there, or end it with Esc there."
            )
        nominal_hz = self._pipeline.snapshot.nominal_hz
        if not math.isfinite(nominal_hz):
            raise UsageError("the nominal is not known yet: wait for a reading, or type it first.")
        if typed == ALL:
            settings = list(self._pipeline.checks.settings)
        elif typed:
            settings = [_typed_setting(text)]
        else:
            settings = self._pipeline.checks.next_settings()
        settings = [hertz for hertz in settings if hertz != nominal_hz]
        if not settings:
            if typed and typed != ALL:
                main = format_frequency(nominal_hz)
                raise UsageError(f"{main} is the main setting: every reading is taken there.")
            raise UsageError(NO_LIST)
        self._change(lambda checks: checks.begin(settings), acquisition)
        return f"checks begin: {', '.join(map(format_frequency, settings))}"

    def go_on(self, acquisition: AnyAcquisition | None) -> str:
        """Say that the unit is dialled as instructed, or go on from a setting to the next one.

        Returns:
            A sentence for the operator.
        """
        now = self._pipeline.snapshot.checks
        if now is None or now.phase is None:
            return self.begin("", acquisition)
        if now.phase == "reading":
            self._change(DialChecks.open_next, acquisition)
        else:
            self._pipeline.say_dialled()
        return self._said()

    def stop(self) -> str:
        """End the walk; what was found so far is on record."""
        now = self._pipeline.snapshot.checks
        if now is None or now.phase is None:
            return "no check is open"
        self._pipeline.change_checks(DialChecks.stop)
        then = self._said()
        return "the checks are ended" if not then else f"the checks are ended. {then}"

    def _change(self, change: Change, acquisition: AnyAcquisition | None) -> None:
        self._pipeline.change_checks(change)
        now = self._pipeline.snapshot.checks
        if acquisition is not None and now is not None and now.setting_hz is not None:
            for one in (acquisition, *self.same_signal()):
                one.set_dial(Decimal(repr(now.setting_hz)))

    def _said(self) -> str:
        now = self._pipeline.snapshot.checks
        return "" if now is None else now.instruction


def _typed_setting(text: str) -> float:
    """Return a typed dial setting in hertz.

    Raises:
        QuantityError: the text is no frequency.
        UsageError: no counter counts so high.
    """
    setting_hz = float(parse_frequency(text))
    if not setting_hz <= HIGHEST_HZ:
        raise UsageError(f"{printable(text)} is above all that a counter counts.")
    return setting_hz
