"""Asks again, now and then, what may have changed at the counter: its time base and its gate."""

import math
from typing import Final

from benchwatch.clock import Clock
from benchwatch.counter import Counter, TimeBase

LOOK_AGAIN_S: Final = 8.0
"""With a reading of less than 2 s on top: a reference that drops out, or a gate changed by hand, is
shown within 10 s."""
LONG_S: Final = 2.0
"""Where a reading takes as long as this, it is asked after every one, and shown when the gate under
way is over."""
COSTLY_S: Final = 0.5
"""A counter that takes longer than this to answer both is asked for its gate once a minute."""
RARELY_S: Final = 60.0


class Lookout:
    """Knows when it is time; it looks between two readings, never into a gate under way."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._next_s = self._next_gate_s = 0.0
        self._here_s = math.inf

    def first(self, counter: Counter) -> tuple[TimeBase, float | None]:
        """Ask for both, and see how long that takes."""
        began_s = self._clock.monotonic()
        told = counter.time_base(), counter.gate_s()
        self._here_s = self._clock.monotonic()
        self._plan(began_s, asked_gate=True)
        return told

    def again(
        self, counter: Counter, time_base: TimeBase, gate_s: float | None
    ) -> tuple[TimeBase, float | None]:
        """Ask again if it is time; what the counter never told is not asked again."""
        began_s = self._clock.monotonic()
        took_s, self._here_s = began_s - self._here_s, began_s
        is_long = took_s >= LONG_S and (gate_s is None or gate_s >= LONG_S)
        if began_s < self._next_s and not is_long:
            return time_base, gate_s
        if time_base.source != "unknown":
            time_base = counter.time_base()
        asks_gate = gate_s is not None and began_s >= self._next_gate_s
        if asks_gate:
            gate_s = counter.gate_s()
        self._plan(began_s, asked_gate=asks_gate)
        return time_base, gate_s

    def _plan(self, began_s: float, *, asked_gate: bool) -> None:
        now_s = self._clock.monotonic()
        self._next_s = now_s + LOOK_AGAIN_S
        if asked_gate:
            self._next_gate_s = now_s + (RARELY_S if now_s - began_s > COSTLY_S else 0.0)
