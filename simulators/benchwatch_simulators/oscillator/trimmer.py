"""A simulated trimmer: sensitivity, backlash, creep, and the pull of a tool that rests on it."""

import math
from dataclasses import dataclass

_OLD_STEP_S = 3600.0
"""Steps older than this, whose creep has ended, are added to the level: no gate reaches back to
them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimmerSpec:
    """Properties of a trimmer; offsets are fractions of the nominal."""

    sensitivity: float = 5e-8
    """Offset per turn forward."""
    backlash_turns: float = 0.0
    """Play: turns after a change of direction before the offset moves."""
    creep: float = 0.0
    """Part of each step that arrives late."""
    creep_s: float = 5.0
    """Time constant of the late part."""
    tool_pull: float = 0.0
    """Offset while a tool rests on the trimmer."""
    tool_s: float = 0.3
    """Time constant of the pull when the tool is put on or lifted."""


class SimulatedTrimmer:
    """The offset caused by turns and a resting tool, at any later time; a turn takes no time.

    Args:
        spec: properties of the trimmer.
    """

    def __init__(self, spec: TrimmerSpec) -> None:
        self._spec = spec
        self._screw = 0.0
        self._wiper = 0.0
        self._tool = False
        self._level = 0.0
        self._steps: list[tuple[float, float, float, float]] = []
        """(time, size, late part, time constant of the late part) of each step."""

    def turn(self, at_s: float, turns: float) -> None:
        """Turn the screw by `turns` at `at_s`; positive raises the frequency."""
        self._screw += turns
        play = self._spec.backlash_turns / 2
        wiper = min(max(self._wiper, self._screw - play), self._screw + play)
        moved, self._wiper = wiper - self._wiper, wiper
        if moved:
            spec = self._spec
            self._step(at_s, moved * spec.sensitivity, spec.creep, spec.creep_s)

    def rest_tool(self, at_s: float, *, on: bool) -> None:
        """Rest a tool on the screw at `at_s` (`on`), or lift it."""
        if on != self._tool:
            self._tool = on
            pull = self._spec.tool_pull if on else -self._spec.tool_pull
            self._step(at_s, pull, 1.0, self._spec.tool_s)

    def offset(self, at_s: float) -> float:
        """Return the fractional offset at `at_s`."""
        return self._level + sum(
            size * (1.0 - late * math.exp(-(at_s - since) / lag_s))
            for since, size, late, lag_s in self._steps
            if since <= at_s
        )

    def integral(self, start_s: float, end_s: float) -> float:
        """Return the time error in seconds that accumulates over [start_s, end_s]."""
        total = self._level * (end_s - start_s)
        for since, size, late, lag_s in self._steps:
            if since < end_s:
                begin = max(start_s, since)
                tail = math.exp(-(begin - since) / lag_s) - math.exp(-(end_s - since) / lag_s)
                total += size * (end_s - begin - late * lag_s * tail)
        return total

    def _step(self, at_s: float, size: float, late: float, lag_s: float) -> None:
        fresh = []
        for step in self._steps:
            if at_s - step[0] > _OLD_STEP_S + 60 * step[3]:
                self._level += step[1]
            else:
                fresh.append(step)
        self._steps = [*fresh, (at_s, size, late, lag_s)]
