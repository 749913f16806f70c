"""Steps that the oscillator makes by itself: edges of a cycle, as of an oven's thermostat.

A thermostat that switches, or a heater that comes on now and then, moves the offset slowly one way
and quickly back. The quick part looks like a turn of the trimmer, and the first is reported as a
turn. The next is recognised by two things: it is as large as the one before, and between the two
the offset has gone back by as much without a turn. Between turns of a trimmer the offset stays.
"""

from collections import deque
from dataclasses import dataclass
from typing import Final

STEPS_KEPT: Final = 8
"""Steps kept."""
ALIKE_SHARE: Final = 0.3
"""Part of a step by which two steps, or a step and the way back to it, may differ."""
ALIKE_U: Final = 3.0
"""The same in standard uncertainties of the step."""


@dataclass(slots=True, kw_only=True)
class _Step:
    """One step."""

    number: int
    """Of the first reading after it."""
    size: float
    level: float
    """Level after the step, shifted by the turns since."""
    turned: float
    """Part of its size that was reported as a turn."""


class OscillatorSteps:
    """Keeps the newest steps, whether turns or not; constant memory."""

    def __init__(self) -> None:
        self._steps: deque[_Step] = deque(maxlen=STEPS_KEPT)

    def clear(self) -> None:
        """Discard all steps after a gap: the levels on either side of it can't be compared."""
        self._steps.clear()

    def recurs(self, number: int, before: float, size: float, u: float, apart: int) -> bool:
        """Return whether a step repeats one that the oscillator made before.

        Args:
            number: of the first reading after the step.
            before: level right before it, fractional.
            size: of the step, fractional.
            u: its standard uncertainty.
            apart: steps nearer than so many readings are the same one.
        """
        return any(
            abs(size - one.size) <= ALIKE_SHARE * abs(one.size) + ALIKE_U * u
            and size * one.size > 0.0
            and abs(before - one.level + size) <= ALIKE_SHARE * abs(size) + ALIKE_U * u
            for one in self._steps
            if number - one.number > apart
        )

    def add(self, number: int, size: float, level: float, turned: float, apart: int) -> None:
        """Keep a step.

        Args:
            number: of the first reading after it.
            size: the part not reported before, fractional.
            level: right after it.
            turned: the part reported as a turn: all, or 0 for a step of the oscillator.
            apart: a step nearer to the last one than so many readings is the same one.
        """
        before = 0.0
        if self._steps and number - self._steps[-1].number <= apart:
            before = self._steps.pop().turned
        for one in self._steps:
            one.level += turned
        self._steps.append(
            _Step(number=number, size=before + size, level=level, turned=before + turned)
        )
