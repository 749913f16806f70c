"""Polls the settings that may change at the counter: time base and gate."""

import math
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Final

from benchwatch.clock import Clock
from benchwatch.counter import Counter, TimeBase, plausible_gate_s
from benchwatch.errors import ReplyError, ReplyTimeout

POLL_INTERVAL_S: Final = 8.0
"""With a reading of less than 2 s added, a reference that drops out, or a gate changed by hand, is
shown within 10 s."""
LONG_READING_S: Final = 2.0
"""Where a reading takes this long, the settings are queried after every one, so that a change is
shown when the gate under way is over."""
COSTLY_POLL_S: Final = 0.5
"""A counter that takes longer than this for both answers is queried for its gate once a minute."""
RARE_POLL_S: Final = 60.0
QUERY_TRIES: Final = 3
"""A query whose answer can't be read is sent at once again, up to so often in all."""
OLD_SETTING_S: Final = 20.0
"""A setting not reported for so long, the time of two polls and a reading, is old."""


@dataclass(frozen=True, slots=True)
class PolledSettings:
    """What a counter reports of its settings."""

    time_base: TimeBase = field(default_factory=TimeBase)
    gate_s: float | None = None


class SettingsPoller:
    """Queries the settings between two readings when it is time, never during a gate.

    What the counter reported is kept until it reports something else: an answer that does not come,
    or can't be read, is no sign of a change.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._next_s = self._next_gate_s = 0.0
        self._checked_s = math.inf
        self._missing_since_s: dict[str, float] = {}
        """Known settings that the last poll did not get, and since when."""

    def first(self, counter: Counter) -> PolledSettings:
        """Query both on a new connection, and time that; raises as the driver does."""
        began_s = self._clock.monotonic()
        self._missing_since_s.clear()
        polled = PolledSettings(_time_base(counter), _gate_s(counter))
        self._checked_s = self._clock.monotonic()
        self._schedule(began_s, asked_gate=True)
        return polled

    def is_due(self, gate_s: float | None) -> bool:
        """Return whether it is time to poll; call it before every reading."""
        now_s = self._clock.monotonic()
        took_s, self._checked_s = now_s - self._checked_s, now_s
        return now_s >= self._next_s or (
            took_s >= LONG_READING_S and (gate_s is None or gate_s >= LONG_READING_S)
        )

    def poll(self, counter: Counter, known: PolledSettings) -> PolledSettings:
        """Query again; return `known` with the changes."""
        began_s = self._clock.monotonic()
        time_base, gate_s = TimeBase(), None
        asks_gate = began_s >= self._next_gate_s
        with suppress(ReplyTimeout, ReplyError):  # the next reading resynchronises the driver
            time_base = _time_base(counter)
            gate_s = _gate_s(counter) if asks_gate else None
        self._note("time base", time_base.source != "unknown", known.time_base != TimeBase())
        if asks_gate:
            self._note("gate", gate_s is not None, known.gate_s is not None)
        self._schedule(began_s, asked_gate=asks_gate)
        return PolledSettings(
            known.time_base if time_base.source == "unknown" else time_base,
            known.gate_s if gate_s is None else gate_s,
        )

    def poll_next(self) -> None:
        """Poll before the next reading."""
        self._next_s = self._next_gate_s = 0.0

    def unreported(self) -> list[str]:
        """Return the names of known settings that were not reported for a while."""
        now_s = self._clock.monotonic()
        return [
            what
            for what, since_s in self._missing_since_s.items()
            if now_s - since_s > OLD_SETTING_S
        ]

    def _note(self, what: str, is_reported: bool, is_known: bool) -> None:
        """Note since when a known setting is not reported."""
        if is_reported:
            self._missing_since_s.pop(what, None)
        elif is_known:
            self._missing_since_s.setdefault(what, self._clock.monotonic())

    def _schedule(self, began_s: float, *, asked_gate: bool) -> None:
        now_s = self._clock.monotonic()
        self._next_s = now_s + POLL_INTERVAL_S
        if asked_gate:
            self._next_gate_s = now_s + (RARE_POLL_S if now_s - began_s > COSTLY_POLL_S else 0.0)


def _time_base(counter: Counter) -> TimeBase:
    """Query the time base; again, where the answer can't be read."""
    time_base = TimeBase()
    for _ in range(QUERY_TRIES):
        time_base = counter.time_base()
        if time_base.source != "unknown":
            break
    return time_base


def _gate_s(counter: Counter) -> float | None:
    """Query the gate, in seconds; again, where the answer can't be read."""
    gate_s = None
    for _ in range(QUERY_TRIES):
        gate_s = plausible_gate_s(counter.gate_s())
        if gate_s is not None:
            break
    return gate_s
