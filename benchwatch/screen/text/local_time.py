"""Times of day for people: in the time zone of this computer, which is named."""

from benchwatch.clock import local, zone_name


def time_of_day(utc_s: float) -> str:
    """Write Unix seconds as ``10:20:31 CET``."""
    then = local(utc_s)
    return f"{then:%H:%M:%S} {zone_name(then)}"


def day(utc_s: float) -> str:
    """Write the local day of Unix seconds as ``May 04``."""
    return f"{local(utc_s):%b %d}"


def same_day(one_utc_s: float, other_utc_s: float) -> bool:
    """Return whether two times, Unix seconds, are on one local day."""
    return local(one_utc_s).date() == local(other_utc_s).date()


def second(utc_s: float) -> str:
    """Write Unix seconds as ``10:20:31``, where the zone is said elsewhere."""
    return f"{local(utc_s):%H:%M:%S}"


def zone_at(utc_s: float) -> str:
    """Name the local zone at a time, Unix seconds; with summer time it differs over a year."""
    return zone_name(local(utc_s))


def date_and_time(utc_s: float) -> str:
    """Write Unix seconds as ``2031-05-04 10:20:31 CET``."""
    then = local(utc_s)
    return f"{then:%Y-%m-%d %H:%M:%S} {zone_name(then)}"


def minute(utc_s: float, now_utc_s: float) -> str:
    """Write Unix seconds as ``10:20 CET``, with month and day if `now_utc_s` is on another day."""
    then = local(utc_s)
    day = "" if then.date() == local(now_utc_s).date() else f"{then:%b %d} "
    return f"{day}{then:%H:%M} {zone_name(then)}"
