"""The offset of the source from successive time intervals: first differences of phase."""

from decimal import Context, Decimal
from typing import Final

from benchwatch.errors import ReplyError
from benchwatch_drivers.profile.profile import IntervalForm

LARGEST_STEP_PERIODS: Final = Decimal("0.25")
"""Fraction of the period. A larger step from line to line is ambiguous: it may be one of the
other sign, less a period."""
JITTER_SHARE: Final = 0.3
"""Fraction of a spacing by which two lines may come too soon or too late after each other. Below a
half, no delay of one line makes its second neighbour look like the first."""
_EXACT: Final = Context(prec=40)


class PhaseSlope:
    """The offset between two neighbouring intervals, unwrapped across the period.

    With x the time error of the source, the fractional offset over one spacing is
    (x[k+1] - x[k]) / spacing (IEEE Std 1139-2008, clause on time error and fractional
    frequency; from memory). Neighbouring differences share one interval each, as the readings
    of a counter without dead time do, so noise of phase stays noise of phase. Nothing is
    averaged, and no missing interval is bridged.

    Arrival times show which intervals are neighbours. One that arrives at an odd time may have
    been delayed, and the next one may then only seem to be its neighbour; so neither of these two
    gives an offset.
    """

    def __init__(self, form: IntervalForm) -> None:
        self._form = form
        self._sign = 1 if form.starts_with_source else -1
        """Reference first: the interval shrinks while the source runs fast."""
        self._last: Decimal | None = None
        self._last_s = 0.0
        self._in_time = False
        """True when the newest interval came a spacing after the one before it."""

    def restart(self) -> None:
        """Restart with the next interval: it has no neighbour before it."""
        self._last, self._in_time = None, False

    def add(self, interval_s: Decimal, arrived_s: float) -> Decimal | None:
        """Add an interval; return the fractional offset since its neighbour, None without one.

        Args:
            interval_s: As the counter wrote it.
            arrived_s: When it came, monotonic seconds; two lines came in time when they came one
                spacing apart, to `JITTER_SHARE` of it.

        Raises:
            ReplyError: the step is so large that its sign is ambiguous.
        """
        last, self._last = self._last, interval_s
        between_s = arrived_s - self._last_s
        self._last_s = arrived_s
        spacing_s, period_s = self._form.spacing_s, self._form.period_s
        was_in_time = self._in_time
        off = between_s / float(spacing_s) - 1
        self._in_time = last is not None and abs(off) < JITTER_SHARE
        if last is None or not (was_in_time and self._in_time):
            return None
        step = _EXACT.remainder_near(interval_s - last, period_s)
        if abs(step) > LARGEST_STEP_PERIODS * period_s:
            raise ReplyError(
                f"the interval moved by {step:.3g} s from one line to the next; more than a "
                f"quarter of the period of {period_s} s can't be told from the other way round. "
                "Check the signals, or compare lower frequencies."
            )
        return _EXACT.divide(self._sign * step, spacing_s)
