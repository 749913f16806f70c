"""Times of day for people: in the time zone of this computer, which is named."""

from datetime import UTC, datetime
from typing import Final

LONGEST_ZONE: Final = 5
"""Most letters of a zone's abbreviation; some systems give a sentence instead."""


def local(utc_s: float) -> datetime:
    """Convert Unix seconds to a time of the local zone; at the ends of the calendar, to UTC."""
    then = datetime.fromtimestamp(utc_s, UTC)
    try:
        return then.astimezone()
    except (OverflowError, OSError, ValueError):
        return then


def zone(then: datetime) -> str:
    """Name the zone of a local time: its abbreviation, else its distance from UTC."""
    name = then.tzname() or ""
    if name.isascii() and name.isalpha() and len(name) <= LONGEST_ZONE:
        return name
    return f"UTC{then.strftime('%z')[:3]}:{then.strftime('%z')[3:5]}"


def time_of_day(utc_s: float) -> str:
    """Write Unix seconds as ``10:20:31 CET``."""
    then = local(utc_s)
    return f"{then:%H:%M:%S} {zone(then)}"


def date_and_time(utc_s: float) -> str:
    """Write Unix seconds as ``2031-05-04 10:20:31 CET``."""
    then = local(utc_s)
    return f"{then:%Y-%m-%d %H:%M:%S} {zone(then)}"


def minute(utc_s: float, now_utc_s: float) -> str:
    """Write Unix seconds as ``10:20 CET``, with month and day if `now_utc_s` is on another day."""
    then = local(utc_s)
    day = "" if then.date() == local(now_utc_s).date() else f"{then:%b %d} "
    return f"{day}{then:%H:%M} {zone(then)}"
