"""Notes: the log of events, the newest first, each with its time."""

import math

from benchwatch.quantity import how_many, write_fraction
from benchwatch.screen.drawing.styled_text import Role, StyledLine, line, wrapped_text
from benchwatch.screen.frame import Frame, Panel, always
from benchwatch.screen.key_binding import KeyBinding
from benchwatch.screen.shared_keys import MARK_KEY
from benchwatch.screen.text.amounts import run_time, with_u
from benchwatch.screen.text.local_time import day, same_day, second, zone_at
from benchwatch.screen.view import View
from benchwatch.snapshot import LoggedEvent

KIND_ROLES = {"caution": Role.OFF, "gap": Role.OFF, "mark": Role.STRONG, "record": Role.GOOD}
SCROLL_ROWS = 5
RUN_TIME_WIDTH = 72
"""Width in cells from which the time of the run is shown beside the local time."""


def logged_events(frame: Frame) -> list[LoggedEvent]:
    """Return the logged events, newest first; without a log, the marks and the last gap."""
    snapshot = frame.snapshot
    if snapshot.logged_events is not None:
        return list(reversed(snapshot.logged_events))
    known = [
        LoggedEvent(utc_s=m.utc_s, elapsed_s=m.elapsed_s, kind="mark", text=m.text)
        for m in snapshot.marks
    ]
    gap = snapshot.last_gap
    if gap is not None:
        known.append(
            LoggedEvent(utc_s=gap.utc_s, elapsed_s=gap.elapsed_s, kind="gap", text=gap.reason)
        )
    return sorted(known, key=lambda one: one.elapsed_s, reverse=True)


def count_line(frame: Frame, _width: int, _rows: int) -> list[StyledLine]:
    """Draw how many events there are, how many newer ones are scrolled out, and the zone."""
    snapshot, events = frame.snapshot, logged_events(frame)
    total = len(events)
    more = f"; {min(frame.scroll, total)} newer above" if frame.scroll else ""
    counts = ((total, "note"), (snapshot.readings, "reading"), (snapshot.gaps, "gap"))
    text = "  " + ", ".join(how_many(number, noun) for number, noun in counts) + more
    if events and math.isfinite(events[0].utc_s):
        text += f"; local time, {zone_at(events[0].utc_s)}"
    return [line((text, Role.DIM))]


def note_lines(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw the events: local time, on a wide screen time of the run, kind, text.

    Days are written where not all events are of one day, the zone where it is not the newest's.
    """
    events = logged_events(frame)
    shown = events[frame.scroll : frame.scroll + rows]
    if not shown:
        return [line((f"  no notes yet; {frame.label_of(MARK_KEY)} adds a mark", Role.DIM))]
    newest, days = events[0].utc_s, not _of_one_day(events)
    times = [_local(one.utc_s, newest, days=days) for one in shown]
    cells = max(len(text) for text in times)
    return [
        row
        for one, text in zip(shown, times, strict=True)
        for row in _rows(frame, one, text.ljust(cells), width)
    ]


def _of_one_day(events: list[LoggedEvent]) -> bool:
    """Return whether all dated events are of one local day."""
    dated = [one.utc_s for one in events if math.isfinite(one.utc_s)]
    return all(same_day(one, dated[0]) for one in dated)


def _local(utc_s: float, newest: float, *, days: bool) -> str:
    """Write the local time of an event, with the zone where it differs from the newest event's."""
    if not math.isfinite(utc_s):
        return "no date"
    text = f"{day(utc_s)} {second(utc_s)}" if days else second(utc_s)
    zone = zone_at(utc_s)
    return text if math.isfinite(newest) and zone == zone_at(newest) else f"{text} {zone}"


def _rows(frame: Frame, one: LoggedEvent, time: str, width: int) -> list[StyledLine]:
    """Draw one event over as many rows as its text needs."""
    run = f"{run_time(one.elapsed_s):>9}  " if width >= RUN_TIME_WIDTH else ""
    start = line(
        (f"  {time} {run}", Role.DIM),
        (f"{one.kind:<8} ", KIND_ROLES.get(one.kind, Role.TEXT)),
    )
    text = frame.theme.printable(one.text)
    if one.nudge is not None:
        size = write_fraction(one.nudge.size, one.nudge.u, frame.unit)
        text = f"{with_u(size, frame.theme.glyphs.plus_minus)} {text}".rstrip()
    if one.record is not None:
        offset = write_fraction(one.record.offset, one.record.u, frame.unit)
        text = f"{one.record.kind} {with_u(offset, frame.theme.glyphs.plus_minus)}{text}"
    first, *more = wrapped_text(text, width - start.width)
    return [start + first, *(line(" " * start.width) + row for row in more)]


NOTES_VIEW = View(
    name="notes",
    title="Notes",
    about="everything that happened, newest first",
    key="5",
    action="Show the notes",
    action_help="Show the notes: marks and everything that happened.",
    panels=(
        Panel(draw=count_line, rows=always(1)),
        Panel(draw=note_lines, rows=always(3), fills=True),
    ),
    help=(
        (
            "The newest note is at the top: marks ({note}), nudges, gaps, verdicts, settings that "
            "were changed, cautions, records. The first time is local, in the zone that the line "
            "above names; the second counts from the beginning of the run. The journal keeps them "
            "all."
        ),
    ),
    keys=(
        KeyBinding(
            id="older",
            keys=("pagedown",),
            label="PgDn/PgUp",
            footer="scroll",
            action="Scroll to older notes",
            help="Scroll to older notes, or to newer.",
            scrolls=SCROLL_ROWS,
        ),
        KeyBinding(
            id="newer",
            keys=("pageup",),
            label="PgUp",
            action="Scroll to newer notes",
            scrolls=-SCROLL_ROWS,
        ),
    ),
    length=lambda frame: len(logged_events(frame)),
)
