"""Waits for the next result of a free-running counter, which returns only its newest one."""

from collections.abc import Callable
from dataclasses import replace
from typing import Final

from benchwatch.counter import Link, Measurement
from benchwatch.errors import ReplyError, ReplyTimeout
from benchwatch_drivers.repeat_detection import RepeatDetector

SHORTEST_QUERY_S: Final = 0.2
"""With less time than this left, the newest result is not queried again."""
LONGEST_KEPT_S: Final = 1.0
"""A result kept for longer is dropped: a newer one may have come."""


class FreeRunning:
    """Queries the newest result until it is a new one.

    Args:
        link: gives the time, and waits.
        newest: queries the newest result, until a monotonic time; raises as `Link.query`.
    """

    def __init__(self, link: Link, newest: Callable[[float], Measurement]) -> None:
        self.repeats = RepeatDetector()
        self._link = link
        self._newest = newest
        self._kept: Measurement | None = None
        """A result that came after others were missed, for the next call."""

    def use_gate(self, gate_s: float) -> None:
        """Use the gate that the counter reports, in seconds."""
        if gate_s != self.repeats.gate_s:
            self.repeats.gate_s = gate_s
            self._kept = None

    def next(self, timeout_s: float) -> Measurement:
        """Wait for the next result, or for one that is returned again.

        Raises:
            ReplyTimeout: none came in time; or an answer was missed, and with it a result. The
                result that came after it is kept for the next call, so that the gap is seen.
            ReplyError: likewise, where the answer was no result.
        """
        kept, self._kept = self._kept, None
        if kept is not None and self._link.now() - (kept.arrived_s or 0.0) < LONGEST_KEPT_S:
            return kept
        deadline = self._link.now() + timeout_s
        gate_s = self.repeats.gate_s
        poll_s = 0.02 if gate_s is None else min(max(gate_s / 20, 0.001), 0.05)
        missed: ReplyTimeout | ReplyError | None = None
        while deadline - self._link.now() > SHORTEST_QUERY_S:
            try:
                measurement = self._newest(deadline)
            except ReplyTimeout as error:
                # a counter without a valid result only queues error -230
                missed = missed or error
                continue
            except ReplyError as error:
                missed = error
                self._link.pause(poll_s)
                continue
            if measurement.value_hz is None:
                self._link.pause(gate_s or 0.5)
                return measurement
            is_late = self.repeats.is_late(self._link.now())
            found = self._judged(measurement, poll_s)
            if found is not None and missed is not None and is_late:
                self._kept = found
                raise missed
            if found is not None:
                return found
            self._link.pause(poll_s)
        if isinstance(missed, ReplyError):
            raise missed
        raise ReplyTimeout(
            f"no new reading within {timeout_s:.3g} s. "
            "Check the counter's signal and trigger, and its cable."
        )

    def _judged(self, measurement: Measurement, poll_s: float) -> Measurement | None:
        """Mark a result that is returned again; None while it is too early to decide."""
        value, arrived_s = measurement.value_hz, measurement.arrived_s
        assert value is not None
        assert arrived_s is not None
        new = self.repeats.judge(value, measurement.resolution_hz, arrived_s, poll_s)
        return None if new is None else replace(measurement, repeat=not new)
