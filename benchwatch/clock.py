"""Clocks, passed as arguments so that tests can set the time; times as text, and local times."""

import math
import threading
import time
from datetime import UTC, datetime, timedelta, tzinfo
from functools import lru_cache
from typing import Final, Protocol

from benchwatch.system.clocks import monotonic

LONGEST_SINGLE_WAIT_S: Final = 86_400.0
"""Longest single wait; a longer one is made of several."""
SAME_MOMENT_S: Final = 1e-4
"""Two clocks read within this time count as read at the same moment."""
MOST_CLOCK_READS: Final = 5
LONGEST_ZONE: Final = 5
"""Most letters of a zone's abbreviation; some systems give a sentence instead."""
_EPOCH: Final = datetime(1970, 1, 1)  # noqa: DTZ001 - it is UTC


class Clock(Protocol):
    """Two clocks and a wait that can be cut short."""

    def monotonic(self) -> float:
        """Return seconds that never jump, for deadlines and spans."""

    def utc(self) -> float:
        """Return Unix seconds of the computer's clock, which may be set: only for time stamps."""

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        """Wait up to `timeout_s` for `event`; return whether it is set."""


class SystemClock:
    """The computer's own clocks."""

    def monotonic(self) -> float:
        """Return seconds that never jump."""
        return monotonic()

    def utc(self) -> float:
        """Return Unix seconds."""
        return time.time()

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        """Wait up to `timeout_s` for `event`; return whether it is set.

        A long wait is made of several, as on some systems one can't last longer than 49 days.
        """
        deadline_s = monotonic() + timeout_s
        while (left_s := deadline_s - monotonic()) > LONGEST_SINGLE_WAIT_S:
            if event.wait(LONGEST_SINGLE_WAIT_S):
                return True
        return event.wait(left_s)


def utc_at(clock: Clock, monotonic_s: float) -> float:
    """Return the Unix seconds of a monotonic time of `clock`, by the computer's clock as it is now.

    The process may be interrupted between reading one clock and the other. So both are read again
    until they were read at the same moment, but a few times at most; the quickest reading counts.
    """
    took_s, difference_s = math.inf, 0.0
    for _ in range(MOST_CLOCK_READS):
        before_s, utc_s, after_s = clock.monotonic(), clock.utc(), clock.monotonic()
        if after_s - before_s < took_s:
            took_s, difference_s = after_s - before_s, utc_s - (before_s + after_s) / 2.0
        if took_s < SAME_MOMENT_S:
            break
    return monotonic_s + difference_s


def iso_time(utc_s: float) -> str | None:
    """Write Unix seconds as ISO 8601 in UTC with milliseconds; None when unknown."""
    if not math.isfinite(utc_s):
        return None
    minute, milliseconds = divmod(round(utc_s * 1000), 60_000)
    try:
        begins = _iso_minute(minute)
    except OverflowError:
        return None
    return f"{begins}:{milliseconds // 1000:02d}.{milliseconds % 1000:03d}Z"


@lru_cache(maxsize=8)
def _iso_minute(minute: int) -> str:
    """Write a minute since 1970; kept, as most readings are of the same minute as the one before.

    Raises:
        OverflowError: the calendar does not reach so far.
    """
    return (_EPOCH + timedelta(minutes=minute)).isoformat(timespec="minutes")


def local(utc_s: float, tz: tzinfo | None = None) -> datetime:
    """Convert Unix seconds to local time; at the ends of the calendar, to UTC.

    Args:
        utc_s: Unix seconds.
        tz: zone of the local time; None: that of this computer.
    """
    # on Windows `fromtimestamp` takes no time before 1970
    since_1970 = utc_s >= 0.0
    then = datetime.fromtimestamp(utc_s if since_1970 else 0.0, UTC)
    if not since_1970:
        then += timedelta(seconds=utc_s)
    try:
        return then.astimezone(tz)
    except (OverflowError, OSError, ValueError):
        return then


def zone_name(then: datetime) -> str:
    """Name the zone of a local time: its abbreviation, else its distance from UTC."""
    name = then.tzname() or ""
    if name.isascii() and name.isalpha() and len(name) <= LONGEST_ZONE:
        return name
    return f"UTC{then.strftime('%z')[:3]}:{then.strftime('%z')[3:5]}"


def dated_minute(utc_s: float) -> str:
    """Write Unix seconds as local time, ``2031-05-04 10:20 CET``; ``-`` where it is no date."""
    text = local_minute(utc_s)
    return f"{text} {zone_name(local(utc_s))}" if text else "-"


def dated_second(utc_s: float) -> str:
    """Write Unix seconds as local time, ``2031-05-04 10:20:30 CET``; ``-`` where it is no date."""
    if not local_minute(utc_s):
        return "-"
    then = local(utc_s)
    return f"{then:%Y-%m-%d %H:%M:%S} {zone_name(then)}"


def local_minute(utc_s: float) -> str:
    """Write Unix seconds as ``2031-05-04 10:20``, local time; empty where it is no date."""
    try:
        return f"{local(utc_s):%Y-%m-%d %H:%M}"
    except (ValueError, OverflowError, OSError):
        return ""
