"""Computes offsets from a time error (phase): one of each two neighbouring rows."""

from decimal import Decimal
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import BoolArray, FloatArray
from benchwatch.quantity import EXACT
from benchwatch.recording.decimals import EXACT_BELOW, LARGEST_EXACT_POWER, Decimals

SAME_STEP_SHARE: Final = 1e-6
"""A step of time that differs from the interval by at most this part counts as the interval."""
WRAP_WITHIN_SHARE: Final = 0.25
"""A step is a wrap when it differs from whole periods by at most this part of a period."""


class PhaseSteps:
    """The offsets between neighbouring rows: the step of the time error over the step of time.

    IEEE 1139-2008, clause 2. The steps of the time error are exact.

    Args:
        wraps_s: period in seconds after which the time error restarts; None: it does not.
    """

    def __init__(self, wraps_s: Decimal | None) -> None:
        self._wraps_s = wraps_s
        self._time_s: float | None = None
        self._value: Decimal | None = None
        self.wraps = 0
        """Number of steps that were taken as wraps."""

    @property
    def begun(self) -> bool:
        """Whether any row was taken."""
        return self._value is not None

    def take(
        self, time_s: FloatArray, value: Decimals, interval_s: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Take the next n rows, all with a number.

        Args:
            time_s: their times, (n,).
            value: their time errors in seconds.
            interval_s: usual step of time.

        Returns:
            For each row but the very first: the mean offset since the row before it, the middle
            of that time in seconds, and the step of the time error in seconds.
        """
        if not len(value):
            return time_s[:0], time_s[:0], time_s[:0]
        steps = exact_steps(value)
        lasted_s, middle_s = np.diff(time_s), (time_s[1:] + time_s[:-1]) / 2
        if self._value is not None and self._time_s is not None:
            first = float(EXACT.subtract(value.at(0), self._value))
            steps = np.concatenate(([first], steps))
            lasted_s = np.concatenate(([time_s[0] - self._time_s], lasted_s))
            middle_s = np.concatenate(([(time_s[0] + self._time_s) / 2], middle_s))
        self._time_s, self._value = float(time_s[-1]), value.at(len(value) - 1)
        if self._wraps_s is not None:
            steps = self._unwrapped(steps, self._wraps_s)
        even = np.abs(lasted_s - interval_s) <= SAME_STEP_SHARE * interval_s
        return steps / np.where(even, interval_s, lasted_s), middle_s, steps

    def _unwrapped(self, steps: FloatArray, wraps_s: Decimal) -> FloatArray:
        """Take the whole periods out of the steps that are wraps, and count these steps."""
        period_s = float(wraps_s)
        turns = np.round(steps / period_s)
        left = steps - turns * period_s
        wrapped: BoolArray = (turns != 0) & (np.abs(left) <= WRAP_WITHIN_SHARE * period_s)
        self.wraps += int(wrapped.sum())
        return np.where(wrapped, left, steps)


def exact_steps(value: Decimals) -> FloatArray:
    """Return the steps between n numbers, none of them missing; (n-1,), each rounded once."""
    finest = int(value.exponent.min(initial=0))
    plain = not value.longer and finest >= -LARGEST_EXACT_POWER
    if plain:
        factor = value.exponent - finest
        plain = bool((factor <= 18).all())
    if plain:
        scale = 10**factor
        plain = bool((np.abs(value.mantissa) < (1 << 61) // scale).all())
    if plain:
        whole = np.diff(value.mantissa * scale)
        if (np.abs(whole) < EXACT_BELOW).all():
            return whole / 10.0**-finest
    doubles = value.doubles()
    if doubles is None:
        out, left = np.zeros(max(len(value) - 1, 0)), list(range(len(value) - 1))
    else:
        out, certain = doubles.steps().rounded()
        left = np.flatnonzero(~certain).tolist()
    for i in left:
        out[i] = float(EXACT.subtract(value.at(i + 1), value.at(i)))
    return out


def wrap_note(source: str, steps: FloatArray) -> list[str]:
    """Return one note when some steps are alike and far larger than all others, as wraps are.

    Args:
        source: name of the file.
        steps: steps of the time error in seconds.
    """
    size = np.abs(steps)
    usual = float(np.median(size)) if size.size else 0.0
    far = size[size > max(10 * usual, 3 * float(np.quantile(size, 0.9)) if size.size else 0.0)]
    if not 1 <= far.size <= size.size // 4 or size.size < 10:
        return []
    period = float(np.median(far))
    alike = np.abs(far - period) <= 0.1 * period
    if alike.sum() < max(0.9 * far.size, 1):
        return []
    note = (
        f"{source}: the time error jumps by about {period:.3g} s, {int(alike.sum())} times, as "
        "when it begins anew after a period. It is taken as it is; "
        f"--wraps {period * 1e9:.4g}ns puts such steps right."
    )
    return [note]
