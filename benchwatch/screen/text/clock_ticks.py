"""Round local times between two moments, for the time axes of charts."""

import math
from collections.abc import Iterator
from datetime import date, datetime, time
from typing import Final

from benchwatch.clock import local, zone_name

MINUTE_S, HOUR_S, DAY_S = 60, 3600, 86400
STEPS_S: Final = (
    1, 2, 5, 10, 15, 30, MINUTE_S, 2 * MINUTE_S, 5 * MINUTE_S, 10 * MINUTE_S, 15 * MINUTE_S,
    30 * MINUTE_S, HOUR_S, 2 * HOUR_S, 3 * HOUR_S, 6 * HOUR_S, 12 * HOUR_S, DAY_S, 2 * DAY_S,
    5 * DAY_S, 10 * DAY_S, 30 * DAY_S, 100 * DAY_S, 300 * DAY_S, 1000 * DAY_S,
)  # fmt: skip
"""Steps from one tick to the next, seconds of local time."""


def clock_ticks(begin_s: float, end_s: float, most: int) -> list[tuple[float, str]]:
    """Return round local times from `begin_s` to `end_s`, as (Unix seconds, text).

    A text is ``14:05``, with seconds where the steps are short; midnight is written as its date,
    and so are steps of a day or more.

    Args:
        begin_s: Unix seconds.
        end_s: Unix seconds, after `begin_s`.
        most: about how many ticks there is room for, at least 1.
    """
    wanted = (end_s - begin_s) / max(most, 1)
    step_s = next((step_s for step_s in STEPS_S if step_s >= wanted), None)
    if step_s is None or not end_s > begin_s:
        return []
    return [
        (utc_s, _label(local(utc_s), step_s))
        for utc_s in _times(begin_s, end_s, step_s)
        if begin_s <= utc_s <= end_s
    ]


def clock_label(utc_s: float, span_s: float, most: int) -> str:
    """Write the local time at the end of an axis with its zone, as exactly as its ticks."""
    then = local(utc_s)
    form = "%H:%M:%S" if span_s / max(most, 1) <= MINUTE_S / 2 else "%H:%M"
    return f"{then:{form}} {zone_name(then)}"


def _times(begin_s: float, end_s: float, step_s: int) -> Iterator[float]:
    """Yield Unix seconds on whole steps of local time; some lie outside the span."""
    if step_s >= DAY_S:
        yield from _midnights(begin_s, end_s, step_s // DAY_S)
        return
    # Zones differ from UTC by whole quarters of an hour: longer steps are found from these.
    stride_s = math.gcd(step_s, HOUR_S // 4)
    utc_s = begin_s // stride_s * stride_s
    while utc_s <= end_s:
        if _seconds_of_day(local(utc_s)) % step_s == 0:
            yield utc_s
        utc_s += stride_s


def _midnights(begin_s: float, end_s: float, days: int) -> Iterator[float]:
    """Yield the Unix seconds of every local midnight whose day's number is a multiple of `days`."""
    day = local(begin_s).date().toordinal() // days * days
    for number in range(day, local(end_s).date().toordinal() + 1, days):
        midnight = datetime.combine(date.fromordinal(max(number, 1)), time())
        yield midnight.astimezone().timestamp()


def _seconds_of_day(then: datetime) -> int:
    return then.hour * HOUR_S + then.minute * MINUTE_S + then.second


def _label(then: datetime, step_s: int) -> str:
    if _seconds_of_day(then) == 0 or step_s >= DAY_S:
        return f"{then:%b %d}"
    return f"{then:%H:%M:%S}" if step_s < MINUTE_S else f"{then:%H:%M}"
