"""The dial of a simulated synthesizer: which outputs it can be set to, and where they miss."""

from bisect import bisect_right
from dataclasses import dataclass, field
from decimal import Decimal

from benchwatch.quantity import EXACT, format_frequency


@dataclass(frozen=True, slots=True)
class DialMiss:
    """By how much an output misses what the time base makes of its setting."""

    fraction: float = 0.0
    """Part of the setting."""
    hertz: float = 0.0

    def of(self, setting_hz: Decimal) -> float:
        """Return the miss at a setting, as a fraction of it."""
        return self.fraction + self.hertz / float(setting_hz)


@dataclass(frozen=True, slots=True, kw_only=True)
class DialSpec:
    """Which settings a dial has, in hertz, and at which of them the output does not follow."""

    lowest_hz: Decimal
    highest_hz: Decimal
    step_hz: Decimal = Decimal(1)
    """Every setting is a multiple of it."""
    decade_hz: Decimal | None = None
    """The decade of the dial at which the output misses unless its digit is 0; None: it follows at
    every setting."""
    miss: DialMiss = field(default_factory=DialMiss)

    def refusal(self, setting_hz: Decimal) -> str | None:
        """Return the sentence that says why `setting_hz` can't be set; None: it can."""
        wanted = format_frequency(setting_hz)
        if not self.lowest_hz <= setting_hz <= self.highest_hz:
            lowest, highest = format_frequency(self.lowest_hz), format_frequency(self.highest_hz)
            return f"{wanted} can't be dialled: the dial goes from {lowest} to {highest}."
        if EXACT.remainder(setting_hz, self.step_hz):
            step = format_frequency(self.step_hz)
            return f"{wanted} can't be dialled: the dial goes in steps of {step}."
        return None

    def miss_at(self, setting_hz: Decimal) -> float:
        """Return by what fraction the output misses at `setting_hz`; 0 where it follows."""
        if self.decade_hz is None:
            return 0.0
        digit = EXACT.divide_int(setting_hz, self.decade_hz) % 10
        return self.miss.of(setting_hz) if digit else 0.0


class Dial:
    """The settings of a dial over time; times are seconds since power-on and never fall.

    Args:
        setting_hz: the setting at power-on.
    """

    def __init__(self, setting_hz: Decimal) -> None:
        self._times_s = [0.0]
        self._settings_hz = [setting_hz]

    def set(self, at_s: float, setting_hz: Decimal) -> None:
        """Set the dial at `at_s`."""
        self._times_s.append(at_s)
        self._settings_hz.append(setting_hz)

    def at(self, at_s: float) -> Decimal:
        """Return the setting at `at_s`, in hertz."""
        return self._settings_hz[bisect_right(self._times_s, at_s) - 1]

    def stretches(self, start_s: float, end_s: float) -> list[tuple[Decimal, float, float]]:
        """Return the settings over [start_s, end_s]: (hertz, from, to) of each, without gaps."""
        first = bisect_right(self._times_s, start_s) - 1
        bounds = [start_s, *(at_s for at_s in self._times_s[first + 1 :] if at_s < end_s), end_s]
        held = zip(self._settings_hz[first:], bounds, bounds[1:], strict=False)
        return [(setting, begin, end) for setting, begin, end in held if begin < end]
