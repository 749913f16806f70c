"""Steps that the oscillator makes by itself: edges of a cycle, as of an oven's thermostat.

A thermostat that switches, or a heater that comes on now and then, moves the offset slowly one way
and quickly back. The quick part looks like a turn of the trimmer, and the first one is taken for
such. It is known again by what lies between two of them: without being turned, the offset has gone
back by as much as the step is high, and the step is as high as the one before. Between turns of a
trimmer the offset stays.
"""

from collections import deque
from dataclasses import dataclass
from typing import Final

KEPT: Final = 8
"""Steps remembered."""
ALIKE: Final = 0.3
"""Part of a step by which two steps, or a step and the way back to it, may differ."""
ALIKE_U: Final = 3.0
"""The same in standard uncertainties of the step."""


@dataclass(slots=True)
class _Step:
    """One step; the level after it moves with the turns that came since."""

    number: int
    size: float
    level: float
    turned: float
    """How much of its size was told as a turn."""


class OscillatorSteps:
    """Remembers steps, turned or not; constant memory."""

    def __init__(self) -> None:
        self._steps: deque[_Step] = deque(maxlen=KEPT)

    def clear(self) -> None:
        """Forget all: the level before a gap says nothing of that after it."""
        self._steps.clear()

    def again(self, number: int, before: float, size: float, u: float, apart: int) -> bool:
        """Tell whether a step is one that the oscillator has made before.

        Args:
            number: of the first reading after the step.
            before: level right before it, fractional.
            size: of the step, fractional.
            u: its standard uncertainty.
            apart: readings between two steps that are not the same one.
        """
        return any(
            abs(size - one.size) <= ALIKE * abs(one.size) + ALIKE_U * u
            and size * one.size > 0.0
            and abs(before - one.level + size) <= ALIKE * abs(size) + ALIKE_U * u
            for one in self._steps
            if number - one.number > apart
        )

    def add(self, number: int, size: float, level: float, turned: float, apart: int) -> None:
        """Keep a step.

        Args:
            number: of the first reading after it.
            size: of what was not told before, fractional.
            level: right after it.
            turned: how much of it is told as a turn: all, or 0 for one of its own.
            apart: a step nearer to the last one than so many readings is the same.
        """
        told = 0.0
        if self._steps and number - self._steps[-1].number <= apart:
            told = self._steps.pop().turned
        for one in self._steps:
            one.level += turned
        self._steps.append(_Step(number, told + size, level, told + turned))
