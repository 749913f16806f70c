"""Makes a `Reading` of a `Measurement`: time stamp, exact offset, plausible range, flags."""

import math
from dataclasses import dataclass
from decimal import Context, Decimal
from typing import Final

from benchwatch.acquire.mid_gate import MidGate
from benchwatch.clock import Clock, utc_at
from benchwatch.counter import Measurement, TimeBase
from benchwatch.errors import BetweenSettings, NoReadings, ReplyError, UsageError
from benchwatch.plan import PLAUSIBLE_OFFSET
from benchwatch.quantity import difference, format_frequency, round_nominal
from benchwatch.reading import (
    DATED_BY_PACE,
    INTERNAL_TIMEBASE,
    OTHER_DIAL,
    OVERRANGE,
    REPEAT,
    Flag,
    Reading,
)

_EXACT: Final = Context(prec=60)
MOST_IMPLAUSIBLE: Final = 5
"""After so many implausible readings and no plausible one, the nominal is wrong."""
MOST_BETWEEN: Final = 2
"""So many readings in a row near no setting are those in which the unit was dialled."""


@dataclass(frozen=True, slots=True)
class MadeReading:
    """A reading, when it arrived, and how many before it were dropped."""

    reading: Reading
    arrived_s: float
    """Monotonic seconds."""
    undated_before: int
    """Readings right before it that could not be dated and were dropped."""


class ReadingMaker:
    """Makes the readings of one counter; holds its nominal, gate and time base.

    Args:
        counter: the counter's name on the bench.
        nominal: in hertz; None: the round number that the first reading is near.
        clock: the clock of the run.
        origin_s: monotonic zero of the run.
    """

    def __init__(
        self, counter: str, nominal: Decimal | None, *, clock: Clock, origin_s: float
    ) -> None:
        self._counter = counter
        self._clock = clock
        self._origin_s = origin_s
        self._mid_gate = MidGate(origin_s)
        self.gate_s: float | None = None
        """The gate that the counter reports, in seconds; see `set_gate`."""
        self._implausible = 0
        self._between = 0
        """Readings in a row near no setting."""
        self._dials: list[Decimal] = []
        """The other settings at which readings are accepted too, in hertz, the newest last."""
        self._has_made = False
        self._standing_flags: frozenset[Flag] = frozenset()
        self.nominal: Decimal | None = None
        if nominal is not None:
            self.set_nominal(nominal)

    @property
    def doubt(self) -> str | None:
        """What is wrong with the reported gate, a sentence; None while nothing is."""
        return self._mid_gate.doubt

    def set_gate(self, gate_s: float | None) -> None:
        """Use the gate that the counter reports, in seconds, from the next reading on."""
        self.gate_s = gate_s
        self._mid_gate.set_gate(gate_s)

    def gate_was_set(self) -> None:
        """Judge the gate only by the readings that follow: it was set on the counter."""
        self._mid_gate.restart()

    def set_time_base(self, time_base: TimeBase) -> None:
        """Flag the readings from now on where `time_base` is the counter's own oscillator."""
        internal = time_base.source == "internal"
        self._standing_flags = frozenset({INTERNAL_TIMEBASE}) if internal else frozenset()

    def set_nominal(self, nominal: Decimal) -> None:
        """Compare readings with `nominal`, in hertz, from the next one on."""
        self.nominal = nominal
        self._lowest = nominal * (1 - PLAUSIBLE_OFFSET)
        self._highest = nominal * (1 + PLAUSIBLE_OFFSET)

    def set_dial(self, setting: Decimal | None) -> None:
        """Accept readings near `setting`, in hertz, beside those near the nominal.

        Earlier settings stay accepted: the unit stands at one of them until it is dialled on. The
        nearest setting decides what a reading is relative to. None: only the nominal is accepted.
        """
        self._between = 0
        if setting is None:
            self._dials = []
        else:
            self._dials = [one for one in self._dials if one != setting] + [setting]

    def make(self, measurement: Measurement) -> MadeReading:
        """Make a reading, stamped at the middle of its gate.

        Raises:
            BetweenSettings: the unit seems to be dialled to another setting just now.
            ReplyError: the value lies more than a part in 1000 from the nominal.
            NoReadings: several in a row were so far off, and no reading was ever nearer.
            UsageError: no nominal was given, and the first reading is near no round number.
        """
        now_s = self._clock.monotonic()
        arrived_s = now_s if measurement.arrived_s is None else measurement.arrived_s
        flags = self._standing_flags
        if measurement.repeat:
            flags |= {REPEAT}
        if measurement.dated_by_pace:
            flags |= {DATED_BY_PACE}
        value, resolution_hz = self._at_nominal(measurement)
        text, frequency_hz, offset_hz, offset = "", math.nan, math.nan, math.nan
        dial_hz: float | None = None
        if value is None:
            flags |= {OVERRANGE}
        else:
            nominal = self._nominal_for(value)
            if nominal != self.nominal:
                flags |= {OTHER_DIAL}
                dial_hz = float(nominal)
            text, frequency_hz = f"{value:f}", float(value)
            offset_hz, offset = difference(value, nominal)
            self._has_made = True
        middle_s = self._mid_gate.place(arrived_s, is_new=not measurement.repeat)
        reading = Reading(
            counter=self._counter,
            utc_s=utc_at(self._clock, middle_s),
            elapsed_s=middle_s - self._origin_s,
            gate_s=self._mid_gate.gate_s,
            text=text,
            frequency_hz=frequency_hz,
            offset_hz=offset_hz,
            offset=offset,
            resolution_hz=resolution_hz,
            flags=flags,
            dial_hz=dial_hz,
        )
        return MadeReading(reading, arrived_s, measurement.undated_before)

    def _at_nominal(self, measurement: Measurement) -> tuple[Decimal | None, float]:
        """Return frequency and resolution, in hertz.

        A phase comparison measures divided pulses: its offset holds for the nominal as well, and
        gives the frequency of the source itself.
        """
        value, offset = measurement.value_hz, measurement.offset
        if value is None or offset is None or self.nominal is None:
            return value, measurement.resolution_hz
        scaled = _EXACT.multiply(self.nominal, 1 + offset).normalize(_EXACT)
        return scaled, measurement.resolution_hz * float(self.nominal / value)

    def _nominal_for(self, value: Decimal) -> Decimal:
        """Return the nominal or the other setting, in hertz, that `value` is near.

        Raises as `make` where it is near neither.
        """
        if self.nominal is None:
            self._guess_nominal(value)
        assert self.nominal is not None
        if self._dials:
            return self._nearest(value, self.nominal)
        if self._lowest <= value <= self._highest:
            self._implausible = 0
            return self.nominal
        self._implausible += 1
        here, expected = format_frequency(value), format_frequency(self.nominal)
        if self._implausible >= MOST_IMPLAUSIBLE and not self._has_made:
            raise NoReadings(
                f"'{self._counter}' reads {here} and the nominal is {expected}: they are more "
                f"than a part in 1000 apart. Check --nominal, and which signal is connected."
            )
        raise ReplyError(
            f"a reading of {here} is nowhere near the nominal of {expected}. It was not used."
        )

    def _nearest(self, value: Decimal, nominal: Decimal) -> Decimal:
        """Return the one of all settings, in hertz, that `value` is near."""
        setting = min(nominal, *self._dials, key=lambda hertz: abs(value - hertz) / hertz)
        if abs(value - setting) <= PLAUSIBLE_OFFSET * setting:
            self._between = self._implausible = 0
            return setting
        self._between += 1
        here = format_frequency(value)
        two = format_frequency(nominal), format_frequency(self._dials[-1])
        sentence = f"the counter reads {here}, neither {two[0]} nor {two[1]}"
        if self._between <= MOST_BETWEEN:
            raise BetweenSettings(f"{sentence}: the unit is being dialled. It was not used.")
        raise ReplyError(f"{sentence}. Dial the unit to one of them: it was not used.")

    def _guess_nominal(self, value: Decimal) -> None:
        guess = round_nominal(value)
        if guess is None:
            raise UsageError(
                f"'{self._counter}' reads {format_frequency(value)}, which is near no round "
                "number. Say what it should be, such as --nominal 10MHz."
            )
        self.set_nominal(guess)
