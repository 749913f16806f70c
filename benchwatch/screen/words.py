"""What the screen says in words: direction, link, settling."""

from typing import TYPE_CHECKING

from benchwatch.screen.amounts import ago, limit, per_hour, with_u
from benchwatch.screen.frame import Frame
from benchwatch.screen.ink import Ink, Line, fitting, line, safe
from benchwatch.snapshot import Direction

if TYPE_CHECKING:
    from benchwatch.estimate.tool import ToolState

_LAMPS = {
    "settled": ("SETTLED", Ink.GOOD_LAMP),
    "warming": ("WARMING", Ink.OFF_LAMP),
    "unsure": ("UNSURE", Ink.PLAIN_LAMP),
}


def where(frame: Frame) -> Direction:
    """Say where the estimate lies; what the numbers say themselves comes first."""
    snapshot = frame.snapshot
    estimate, tolerance = snapshot.numbers.estimate, snapshot.numbers.tolerance
    if frame.stale or estimate is None:
        return "undecided"
    if snapshot.trim is not None and snapshot.trim.direction is not None:
        return snapshot.trim.direction
    if tolerance is not None and tolerance.inside:
        return "inside"
    if estimate.u is not None and abs(estimate.offset) <= estimate.u:
        return "undecided"
    return "high" if estimate.offset > 0 else "low"


def direction(frame: Frame) -> Line:
    """Say which way to turn, or why that can't be said."""
    numbers = frame.snapshot.numbers
    if frame.stale:
        return line(("no reading, so no direction", Ink.OFF))
    if numbers.estimate is None:
        return line(("no estimate yet", Ink.DIM))
    aimed = " of the aim" if tool(frame) is not None and tool_aims(frame) else ""
    match where(frame):
        case "inside" if numbers.tolerance is not None:
            span = limit(numbers.tolerance.limit, frame.unit, frame.look.glyphs.plus_minus)
            return line((f"inside {span}{aimed}", Ink.GOOD))
        case "inside" | "undecided":
            return line(
                (
                    f"on {aimed.removeprefix(' of ') or 'nominal'}, as far as can be told yet",
                    Ink.GOOD,
                )
            )
        case "high":
            return line((f"high{aimed}, bring it down", Ink.OFF))
        case "low":
            return line((f"low{aimed}, bring it up", Ink.OFF))


def tool(frame: Frame) -> "ToolState | None":
    """Return what is known of the tool."""
    return frame.snapshot.trim.tool if frame.snapshot.trim is not None else None


def tool_on(frame: Frame) -> bool:
    """Tell whether the tool is on the trimmer."""
    state = tool(frame)
    return frame.tool_on if state is None else state.on


def tool_aims(frame: Frame) -> bool:
    """Tell whether the tool is on and its pull known, so that there is a place to aim for."""
    state = tool(frame)
    return state is not None and state.on and state.pull is not None


def link(frame: Frame) -> Line:
    """Say how the connection is and how old the newest reading is."""
    state, reading = frame.snapshot.link, frame.snapshot.reading
    since = ago(state.since_s, frame.now_s)
    if state.state == "connecting":
        return line((f"connecting, {since}", Ink.OFF))
    if state.state == "ended":
        return line((f"ended {since} ago", Ink.OFF))
    if reading is None:
        return line((f"no reading yet, {since}", Ink.OFF))
    age = ago(reading.elapsed_s, frame.now_s)
    if state.state == "reading":
        return line(f"reading {age} old")
    word = "link lost" if state.state == "lost" else "silent"
    return line((f"{word}, reading {age} old", Ink.OFF))


def settle_lamp(frame: Frame) -> Line:
    """Draw the verdict as a word in a lamp."""
    settle = frame.snapshot.numbers.settle
    if settle is None:
        return line(("[settle not asked]", Ink.DIM))
    word, ink = _LAMPS[settle.state]
    return line((f"[{word}]", ink))


def settle_words(frame: Frame, width: int) -> Line:
    """Say the drift, and how long it still takes or has been settled, in at most `width` cells."""
    settle, said = frame.snapshot.numbers.settle, drift(frame)
    if settle is not None and settle.since_s is not None:
        for_how_long = f"settled for {ago(settle.since_s, frame.now_s)}"
        return fitting(width, line(f"{said}, {for_how_long}"), line(for_how_long))
    if settle is not None and settle.eta_s is not None:
        long, short = time_to_go(frame), time_to_go(frame, short=True)
        return fitting(width, line(f"{said}, {long}"), line(long), line(short))
    return line(said)


def time_to_go(frame: Frame, *, short: bool = False) -> str:
    """Say the time to go, with its range where known."""
    settle = frame.snapshot.numbers.settle
    if settle is None or settle.eta_s is None:
        return "time to go unknown"
    words = f"{ago(0.0, settle.eta_s)} to go"
    if short or settle.eta_low_s is None or settle.eta_high_s is None:
        return words
    low, high = ago(0.0, settle.eta_low_s), ago(0.0, settle.eta_high_s)
    return f"{words} ({low} to {high})"


def drift(frame: Frame) -> str:
    """Say the drift an hour with its uncertainty."""
    value = frame.snapshot.numbers.drift
    if value is None:
        return "drift unknown"
    text = per_hour(value.per_s, value.u, frame.drift_unit)
    return f"drift {with_u(text, frame.look.glyphs.plus_minus)}"


def trouble(frame: Frame) -> str:
    """Say the one thing that most needs saying, or nothing."""
    snapshot = frame.snapshot
    if frame.stale and snapshot.link.detail:
        return safe(snapshot.link.detail)
    if snapshot.journal_trouble:
        return "not being journaled: " + safe(snapshot.journal_trouble)
    if frame.flash:
        return safe(frame.flash)
    if snapshot.time_base.source == "internal":
        return "caution: internal time base; the offset is against the counter's own oscillator"
    return ""
