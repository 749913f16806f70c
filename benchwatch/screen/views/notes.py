"""Notes: everything that happened, the newest first, each with its time."""

import math
from datetime import UTC, datetime

from benchwatch.quantity import write_fraction
from benchwatch.screen.amounts import run_time, with_u
from benchwatch.screen.frame import Block, Frame, View, always
from benchwatch.screen.ink import Ink, Line, line, safe
from benchwatch.snapshot import Happening

LOUD = {"caution": Ink.OFF, "gap": Ink.OFF, "mark": Ink.STRONG, "record": Ink.GOOD}
SCROLL_ROWS = 5


def happenings(frame: Frame) -> list[Happening]:
    """Return what happened, newest first; marks and the last gap when nobody collects more."""
    snapshot = frame.snapshot
    if snapshot.happenings is not None:
        return list(reversed(snapshot.happenings))
    known = [Happening(m.utc_s, m.elapsed_s, "mark", m.text) for m in snapshot.marks]
    gap = snapshot.last_gap
    if gap is not None:
        known.append(Happening(gap.utc_s, gap.elapsed_s, "gap", gap.reason))
    return sorted(known, key=lambda one: one.elapsed_s, reverse=True)


def count_line(frame: Frame, _width: int, _rows: int) -> list[Line]:
    """Draw how much there is, and where the list begins."""
    snapshot, total = frame.snapshot, len(happenings(frame))
    more = f"; {min(frame.scroll, total)} newer above" if frame.scroll else ""
    said = f"  {total} notes, {snapshot.readings} readings, {snapshot.gaps} gaps{more}"
    return [line((said, Ink.DIM))]


def note_lines(frame: Frame, _width: int, rows: int) -> list[Line]:
    """Draw a row a happening: time of day, time of the run, kind, text."""
    shown = happenings(frame)[frame.scroll : frame.scroll + rows]
    if not shown:
        return [line(("  nothing yet; m puts a note here", Ink.DIM))]
    return [_row(frame, one) for one in shown]


def _row(frame: Frame, one: Happening) -> Line:
    dated = math.isfinite(one.utc_s)
    time = datetime.fromtimestamp(one.utc_s, UTC).strftime("%H:%M:%S UTC") if dated else "no date"
    text = safe(one.text)
    if one.nudge is not None:
        size = write_fraction(one.nudge.size, one.nudge.u, frame.unit)
        text = f"{with_u(size, frame.look.glyphs.plus_minus)} {text}".rstrip()
    return line(
        (f"  {time:<12} {run_time(one.elapsed_s):>9}  ", Ink.DIM),
        (f"{one.kind:<8} ", LOUD.get(one.kind, Ink.TEXT)),
        text,
    )


NOTES = View(
    name="notes",
    title="Notes",
    blocks=(Block(count_line, always(1)), Block(note_lines, always(3), fills=True)),
    help=(
        (
            "The newest note is at the top: marks (m), nudges, gaps, verdicts, settings that were "
            "changed, cautions, records. The first time is the time of day in UTC, the second the "
            "time since the run began. The journal keeps them all."
        ),
    ),
)
