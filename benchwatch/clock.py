"""Clocks, passed as arguments so that tests can set the time; and moments as text in data."""

import math
import threading
import time
from datetime import datetime, timedelta
from typing import Final, Protocol

LONGEST_WAIT_S: Final = 86_400.0
"""Longest single wait; a longer one is made of several."""
AT_ONCE_S: Final = 1e-4
"""Two clocks read within this count as read at the same moment."""
TRIES: Final = 5
_EPOCH: Final = datetime(1970, 1, 1)  # noqa: DTZ001 - written in UTC


class Clock(Protocol):
    """Two clocks and a wait that can be cut short."""

    def monotonic(self) -> float:
        """Seconds that never jump; deadlines and spans come from here."""

    def utc(self) -> float:
        """Unix seconds of the computer's clock, which may be set; only for time stamps."""

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        """Wait up to `timeout_s` for `event`; True when it is set."""


class SystemClock:
    """The computer's own clocks."""

    def monotonic(self) -> float:
        """Seconds that never jump."""
        return time.monotonic()

    def utc(self) -> float:
        """Unix seconds."""
        return time.time()

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        """Wait up to `timeout_s` for `event`; True when it is set.

        In parts, as one call of the system can wait for no more than 49 days on some systems.
        """
        deadline_s = time.monotonic() + timeout_s
        while (left_s := deadline_s - time.monotonic()) > LONGEST_WAIT_S:
            if event.wait(LONGEST_WAIT_S):
                return True
        return event.wait(left_s)


def utc_at(clock: Clock, monotonic_s: float) -> float:
    """Return the Unix seconds of a monotonic time of `clock`, by the computer's clock as it is now.

    The process may be interrupted between reading one clock and the other. So both are read again
    until they were read at the same moment; of a few tries the quickest counts.
    """
    took_s, difference_s = math.inf, 0.0
    for _ in range(TRIES):
        before_s, utc_s, after_s = clock.monotonic(), clock.utc(), clock.monotonic()
        if after_s - before_s < took_s:
            took_s, difference_s = after_s - before_s, utc_s - (before_s + after_s) / 2.0
        if took_s < AT_ONCE_S:
            break
    return monotonic_s + difference_s


def iso_time(utc_s: float) -> str | None:
    """Write Unix seconds as ISO 8601 in UTC with milliseconds; None when unknown."""
    if not math.isfinite(utc_s):
        return None
    try:
        moment = _EPOCH + timedelta(milliseconds=round(utc_s * 1000))
    except OverflowError:
        return None
    return moment.isoformat(timespec="milliseconds") + "Z"
