"""Asks again, now and then, what may have changed at the counter: its time base and its gate."""

import math
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Final

from benchwatch.clock import Clock
from benchwatch.counter import Counter, TimeBase, plausible_gate_s
from benchwatch.errors import ReplyError, ReplyTimeout

LOOK_AGAIN_S: Final = 8.0
"""With a reading of less than 2 s on top: a reference that drops out, or a gate changed by hand, is
shown within 10 s."""
LONG_S: Final = 2.0
"""Where a reading takes as long as this, it is asked after every one, and shown when the gate under
way is over."""
COSTLY_S: Final = 0.5
"""A counter that takes longer than this to answer both is asked for its gate once a minute."""
RARELY_S: Final = 60.0
TRIES: Final = 3
"""An answer that can't be read is asked for again at once, so often in all."""
OLD_S: Final = 20.0
"""What was not told again for so long, though it was asked for, is old; two looks and a reading."""


@dataclass(frozen=True, slots=True)
class PolledSettings:
    """What a counter tells of its settings."""

    time_base: TimeBase = field(default_factory=TimeBase)
    gate_s: float | None = None


class SettingsPoller:
    """Knows when it is time; it looks between two readings, never into a gate under way.

    What the counter told once is kept until it tells something else: an answer that does not come,
    or can't be read, says nothing of the setting.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._next_s = self._next_gate_s = 0.0
        self._here_s = math.inf
        self._missing_since_s: dict[str, float] = {}
        """What is known and was not told when it was last asked for, and since when."""

    def first(self, counter: Counter) -> PolledSettings:
        """Ask for both, and see how long that takes; raises as the driver does."""
        began_s = self._clock.monotonic()
        self._missing_since_s.clear()
        told = PolledSettings(_time_base(counter), _gate_s(counter))
        self._here_s = self._clock.monotonic()
        self._plan(began_s, asked_gate=True)
        return told

    def is_time(self, gate_s: float | None) -> bool:
        """Tell whether it is time to ask again; to be called before every reading."""
        now_s = self._clock.monotonic()
        took_s, self._here_s = now_s - self._here_s, now_s
        return now_s >= self._next_s or (took_s >= LONG_S and (gate_s is None or gate_s >= LONG_S))

    def again(self, counter: Counter, known: PolledSettings) -> PolledSettings:
        """Ask again; return what is known then."""
        began_s = self._clock.monotonic()
        time_base, gate_s = TimeBase(), None
        asks_gate = began_s >= self._next_gate_s
        with suppress(ReplyTimeout, ReplyError):  # the next reading puts the counter in step again
            time_base = _time_base(counter)
            gate_s = _gate_s(counter) if asks_gate else None
        self._note("time base", time_base.source != "unknown", known.time_base != TimeBase())
        if asks_gate:
            self._note("gate", gate_s is not None, known.gate_s is not None)
        self._plan(began_s, asked_gate=asks_gate)
        return PolledSettings(
            known.time_base if time_base.source == "unknown" else time_base,
            known.gate_s if gate_s is None else gate_s,
        )

    def look_now(self) -> None:
        """Let the next time be the time to ask again."""
        self._next_s = self._next_gate_s = 0.0

    def old(self) -> list[str]:
        """Name what is known and has not been told again for a while."""
        now_s = self._clock.monotonic()
        return [what for what, since_s in self._missing_since_s.items() if now_s - since_s > OLD_S]

    def _note(self, what: str, is_told: bool, is_known: bool) -> None:
        if is_told:
            self._missing_since_s.pop(what, None)
        elif is_known:
            self._missing_since_s.setdefault(what, self._clock.monotonic())

    def _plan(self, began_s: float, *, asked_gate: bool) -> None:
        now_s = self._clock.monotonic()
        self._next_s = now_s + LOOK_AGAIN_S
        if asked_gate:
            self._next_gate_s = now_s + (RARELY_S if now_s - began_s > COSTLY_S else 0.0)


def _time_base(counter: Counter) -> TimeBase:
    """Ask for the time base; again, where the answer can't be read."""
    told = TimeBase()
    for _ in range(TRIES):
        told = counter.time_base()
        if told.source != "unknown":
            break
    return told


def _gate_s(counter: Counter) -> float | None:
    """Ask for the gate, likewise."""
    told = None
    for _ in range(TRIES):
        told = plausible_gate_s(counter.gate_s())
        if told is not None:
            break
    return told
