"""What ``keep --status`` prints: the central record for people, and for programs."""

from collections.abc import Iterable
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Final

from benchwatch.commands.common.fitted_table import print_fitted
from benchwatch.commands.common.output import print_json, print_text
from benchwatch.quantity import format_duration, how_many, printable
from benchwatch.report.blocks import align_table

if TYPE_CHECKING:
    from benchwatch.central_record.record_address import RecordAddress
    from benchwatch.central_record.record_status import RecordStatus, StationStatus

MOST_DAYS: Final = 7
MOST_REFUSED: Final = 10
"""Newest days and refused batches that people are shown; programs get all."""


def print_status(address: "RecordAddress", found: "RecordStatus", now_s: float) -> None:
    """Print tables of stations, days and refused batches, as far as there are any."""
    readings = sum(day.readings for day in found.days)
    print_text(
        f"{address.shown}: {how_many(len(found.stations), 'station')}, about {readings} readings, "
        f"{found.size_bytes / 1e9:.3f} GB, schema {found.schema}"
    )
    if found.stations:
        print_text("")
        header = (
            "station",
            "newest reading (UTC)",
            "behind",
            "committed",
            "runs",
            "open",
            "refused today",
        )
        print_text(align_table(header, [_station_cells(one, now_s) for one in found.stations]))
    days = [day for day in found.days if day.readings]
    if days:
        print_text("")
        rows = [
            (_day(day.day), str(day.readings), f"{day.size_bytes / 1e6:.1f}")
            for day in days[-MOST_DAYS:]
        ]
        print_text(align_table(("day (UTC)", "about so many readings", "MB"), rows))
        if len(days) > MOST_DAYS:
            print_text(f"and {how_many(len(days) - MOST_DAYS, 'day')} before; --json has all")
    dated = [day.day for day in days if day.day is not None]
    print_text("")
    print_text(f"days in the database: {_span(dated)}")
    print_text(f"days in the archive:  {_span(one.day for one in found.archived)}")
    print_text(f"  there only:         {_span(one.day for one in found.archived if one.dropped)}")
    if found.refused:
        print_text("")
        refused_rows = [
            (f"{one.at.astimezone(UTC):%H:%M:%S}", one.station, one.stream, one.why)
            for one in found.refused[:MOST_REFUSED]
        ]
        print_fitted(("refused (UTC)", "station", "of", "why"), refused_rows, below=True)
        if len(found.refused) > MOST_REFUSED:
            print_text(f"and {len(found.refused) - MOST_REFUSED} before within a day")


def print_status_json(address: "RecordAddress", found: "RecordStatus", now_s: float) -> None:
    """Print one object with everything."""
    print_json({
        "record": address.shown,
        "schema": found.schema,
        "size_bytes": found.size_bytes,
        "stations": [
            {"station": one.station, "newest_utc": _iso(one.newest_utc_s),
             "behind_s": None if one.newest_utc_s is None else now_s - one.newest_utc_s,
             "runs": one.runs, "open_runs": one.open_runs,
             "committed": one.changed.astimezone(UTC).isoformat(), "refused": one.refused}
            for one in found.stations
        ],
        "days": [
            {"day": None if day.day is None else day.day.isoformat(), "readings": day.readings,
             "size_bytes": day.size_bytes}
            for day in found.days
        ],
        "archived": [
            {"day": None if one.day == date.min else one.day.isoformat(),
             "readings": one.readings, "dropped": one.dropped}
            for one in found.archived
        ],
        "refused": [
            {"at": one.at.astimezone(UTC).isoformat(), "station": one.station,
             "of": one.stream, "after": one.after, "to": one.upto, "why": one.why}
            for one in found.refused
        ],
    })  # fmt: skip


def _station_cells(one: "StationStatus", now_s: float) -> tuple[str, ...]:
    newest, behind = "none yet", ""
    if one.newest_utc_s is not None:
        newest = (_iso(one.newest_utc_s) or "")[:19].replace("T", " ")
        behind_s = now_s - one.newest_utc_s
        behind = format_duration(abs(behind_s)) + (" ahead" if behind_s < 0 else "")
    committed = f"{format_duration(max(0.0, now_s - one.changed.timestamp()))} ago"
    numbers = (one.runs, one.open_runs, one.refused)
    return one.station, newest, behind, committed, *map(str, numbers)


def _iso(utc_s: float | None) -> str | None:
    if utc_s is None:
        return None
    try:
        return datetime.fromtimestamp(utc_s, UTC).isoformat()
    except (OverflowError, ValueError, OSError):
        return f"{utc_s:.0f} s"


def _day(day: date | None) -> str:
    return "other" if day is None else day.isoformat()


def _span(days: Iterable[date]) -> str:
    """Write days as the first and the last of them, and how many there are."""
    listed = sorted(day for day in days if day != date.min)
    if not listed:
        return "none"
    if len(listed) == 1:
        return listed[0].isoformat()
    return printable(f"{listed[0]} to {listed[-1]}, {how_many(len(listed), 'day')}")
