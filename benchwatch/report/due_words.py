"""Sentences on a unit's history: when it is due, and what was left out of its ageing."""

from datetime import UTC, datetime
from typing import Final

from benchwatch.estimate.ageing.unit_due import DueState, UnitDue
from benchwatch.estimate.ageing.visit_history import VisitHistory

_WITHOUT_DATES: Final[dict[DueState, str]] = {
    "no record": "can't tell yet: no record",
    "no tolerance": "can't tell: no tolerance",
    "outside": "outside now",
    "too near": "perhaps due now: too near its tolerance to tell",
    "u unknown": "perhaps due now: can't tell without its uncertainty",
    "one visit": "can't tell yet: one visit only",
}


def due_words(due: UnitDue, now_utc_s: float) -> str:
    """Write when a unit is due, to the month; `now_utc_s` is today, Unix seconds."""
    words = _WITHOUT_DATES.get(due.state)
    if words is not None:
        return words
    if due.state == "doubtful date":
        return f"can't tell: the date of visit {due.newest_visit} is in doubt"
    if due.state == "not moved":
        since = "" if due.first_utc_s is None else f" since {month(due.first_utc_s)}"
        return (
            f"can't tell yet: moved by less than its uncertainty{since}; at its fastest "
            f"{_not_before(due, now_utc_s)}"
        )
    return _dates(due, now_utc_s)


def month(utc_s: float) -> str:
    """Write the month of a time, such as ``May 2033``."""
    then = datetime.fromtimestamp(utc_s, UTC)
    return f"{then:%B} {then.year}"


def history_cautions(history: VisitHistory) -> tuple[str, ...]:
    """Return a sentence for each thing that was left out of the ageing, or had to be assumed."""
    found = []
    for earlier, later in history.conflicts:
        if earlier == later:
            found.append(
                f"visit {earlier}: as left is dated before as found; its "
                "dates are left out of the ageing"
            )
        else:
            found.append(
                f"visit {later} is dated before visit {earlier}, so a clock was wrong; both dates "
                "are left out of the ageing"
            )
    if history.other_nominals:
        numbers = ", ".join(history.other_nominals)
        found.append(
            f"measured at another nominal and left out of the ageing: visit {numbers}; visits "
            "amend NUMBER --nominal puts that of an imported visit right"
        )
    if any(not one.u_known for one in history.intervals):
        found.append(
            "the uncertainty of some records is unknown: it is taken as that of the others, or as "
            "a share of the changes where none states one"
        )
    if any(not one.shared_known for one in history.intervals):
        found.append(
            "what records share, such as their reference, is not known for all of them: their "
            "uncertainties are added as if they shared nothing"
        )
    return tuple(found)


def _not_before(due: UnitDue, now_utc_s: float) -> str:
    """Write the earliest date; past dates and those beyond the forecast in their own words."""
    at = due.earliest_utc_s if due.earliest_utc_s is not None else due.horizon_utc_s
    if at is None:
        return "not known"
    if at <= now_utc_s:
        return "perhaps now already"
    return f"not before {month(at)}"


def _dates(due: UnitDue, now_utc_s: float) -> str:
    expected, earliest, latest = due.due_utc_s, due.earliest_utc_s, due.latest_utc_s
    if expected is None:
        return _not_before(due, now_utc_s)
    about = month(expected)
    if latest is not None and latest <= now_utc_s:
        return f"overdue since about {about}"
    start = "was due" if expected <= now_utc_s else "due"
    if latest is None:
        return f"{start} about {about}, {_not_before(due, now_utc_s)}"
    if earliest is None or month(earliest) == month(latest):
        return f"{start} {about}"
    if earliest <= now_utc_s:
        return f"{start} about {about}, perhaps now already, {month(latest)} at the latest"
    return f"{start} about {about}, between {month(earliest)} and {month(latest)}"
