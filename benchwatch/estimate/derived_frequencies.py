"""What an offset becomes at a frequency that is derived from the same oscillator.

Where the frequency is multiplied by N (divided: N is below 1), an offset in hertz is multiplied by
N, the fraction stays the same, and phase noise grows by 20·log10(N) dB (IEEE Std 1139-2008,
clause 2 and annexes).
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from benchwatch.errors import UsageError

DAY_S: Final = 86400.0


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """One fractional offset at one derived frequency."""

    frequency_hz: float
    factor: float
    """N: `frequency_hz` over the nominal of the oscillator."""
    offset: float
    """Fractional, the same at every frequency."""
    u: float | None
    offset_hz: float
    u_hz: float | None
    beat_period_s: float | None
    """Time of one beat against an exact `frequency_hz`; None when the offset is zero."""
    phase_noise_db: float
    """Added to the phase noise of the oscillator; negative when divided down."""


def elsewhere(
    offset: float, nominal_hz: float, at_hz: Iterable[float], u: float | None = None
) -> tuple[Elsewhere, ...]:
    """Return a fractional `offset` of an oscillator, with its `u`, at each of `at_hz`.

    Raises:
        UsageError: the offset is no finite number, or a frequency is not above zero.
    """
    if not math.isfinite(offset):
        raise UsageError(f"an offset of {offset:g} can't be carried anywhere.")
    _positive(nominal_hz)
    return tuple(_at(offset, nominal_hz, frequency_hz, u) for frequency_hz in at_hz)


def with_one_hertz(at_hz: Iterable[float]) -> tuple[float, ...]:
    """Return frequencies with 1 Hz, a clock's second, at their end unless they hold it already."""
    found = tuple(at_hz)
    return found if 1.0 in found else (*found, 1.0)


def seconds_per_day(offset: float) -> float:
    """Return the gain a day of a clock with this offset, s; positive: fast (1 ppm: 0.0864 s)."""
    return offset * DAY_S


def beat_period_s(offset: float, frequency_hz: float) -> float | None:
    """Return the time of one beat between `frequency_hz` and the same with `offset`; None for 0."""
    beat_hz = abs(offset) * frequency_hz
    period = 1.0 / beat_hz if beat_hz > 0 else math.inf
    return period if math.isfinite(period) else None


def multiplication_db(factor: float) -> float:
    """Return the phase noise that an ideal multiplier by `factor` adds: 20·log10(N); 10: 20 dB.

    Raises:
        UsageError: `factor` is not above zero.
    """
    return 20.0 * math.log10(_positive(factor))


def _at(offset: float, nominal_hz: float, frequency_hz: float, u: float | None) -> Elsewhere:
    factor = _positive(frequency_hz) / nominal_hz
    return Elsewhere(
        frequency_hz=frequency_hz,
        factor=factor,
        offset=offset,
        u=u,
        offset_hz=offset * frequency_hz,
        u_hz=None if u is None else u * frequency_hz,
        beat_period_s=beat_period_s(offset, frequency_hz),
        phase_noise_db=multiplication_db(factor),
    )


def _positive(value: float) -> float:
    if not 0 < value < math.inf:
        raise UsageError(f"{value:g} is no frequency or factor; it must be above zero.")
    return value
