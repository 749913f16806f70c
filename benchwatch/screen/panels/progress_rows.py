"""Progress of a trim: bars and sentences on the estimate, the tool, the landing, the records."""

import math

from benchwatch.quantity import format_duration, how_many, write_fraction
from benchwatch.screen.drawing.styled_text import Role, StyledLine, faded, fitting, line
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.frame import Frame
from benchwatch.screen.panels.record_row import has_as_found, has_as_left, records_line
from benchwatch.screen.panels.status_text import (
    last_turn,
    reason_to_wait,
    side_of_aim,
    tool_on,
    tool_state,
)
from benchwatch.screen.shared_keys import AS_LEFT_KEY
from benchwatch.screen.text.amounts import ago, amount, to_go, with_u

_PARTS = (
    (0.07, "a little of"), (0.14, "a tenth of"), (0.22, "a fifth of"), (0.29, "a quarter of"),
    (0.41, "a third of"), (0.58, "half of"), (0.7, "two thirds of"), (0.86, "three quarters of"),
    (1.25, "all of"), (1.75, "one and a half times"), (2.5, "twice"), (3.5, "three times"),
)  # fmt: skip
"""Words for a part of a usual nudge, each with the part below which it is used."""
BAR_CELLS = 24
STANDING_ROWS, STANDING_HEIGHT = 3, 28
"""Rows for tool, landing and records; height in rows from which a screen has room for all."""
RECORDS_HEIGHT = 20
"""Height in rows from which the records have a row of their own, below that of tool or landing."""


def bar(share: float, cells: int, theme: Theme) -> StyledLine:
    """Draw a bar of `cells` cells that is full at a `share` of 1."""
    filled = round(min(max(share, 0.0), 1.0) * cells)
    glyphs = theme.glyphs
    return line(
        ("[", Role.AXIS),
        (glyphs.full * filled, Role.GOOD),
        (glyphs.empty * (cells - filled), Role.DIM),
        ("]", Role.AXIS),
    )


def judge_line(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw the progress of the estimate: from the last turn to good enough for the next."""
    now = frame.snapshot.trim
    if now is None or now.judgement is None:
        return []
    judgement = now.judgement
    needed = write_fraction(judgement.needed_u, judgement.needed_u, frame.unit)
    good = f"{needed.u} {needed.unit}"
    if frame.stale:
        text, role = "no readings come: wait", Role.DIM
    elif not judgement.ready:
        left = "" if judgement.wait_s is None else f", {to_go(judgement.wait_s)} to go"
        text, role = f"wait until good to {good}{left}", Role.TEXT
    elif side_of_aim(frame) == "inside":
        text, role = f"good to {good}, stay", Role.GOOD
    elif reason_to_wait(frame):
        text, role = f"good to {good}, {reason_to_wait(frame)}", Role.TEXT
    else:
        turn = "turn" if last_turn(frame) is None else "turn again"
        text, role = f"good to {good}, {turn}", Role.GOOD
    cells = min(BAR_CELLS, max(width - 55, 4))
    drawn = (
        line("  averaging ") + bar(judgement.progress, cells, frame.theme) + line(" ", (text, role))
    )
    return faded([drawn]) if frame.stale else [drawn]


def nudge_line(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw the size of the last nudge, and how far to turn next."""
    nudge = last_turn(frame)
    if nudge is None:
        return [line(("  no nudge seen yet", Role.DIM))]
    size = with_u(write_fraction(nudge.size, nudge.u, frame.unit), frame.theme.glyphs.plus_minus)
    start = line(f"  last nudge {'up' if nudge.size > 0 else 'down'} {size}")
    when = line(f", {ago(nudge.at_s, frame.now_s)} ago")
    long, short = (
        line((f"; {words}", Role.STRONG)) if words else StyledLine()
        for words in (hint_words(frame), hint_words(frame, short=True))
    )
    learned, less = (
        line((f"; {words}", Role.STRONG)) if words else StyledLine()
        for words in (turn_words(frame), turn_words(frame, short=True))
    )
    forms = [
        start + when + long + learned, start + long + learned, start + short + learned,
        start + short + less, line("  nudge") + short + less,
    ]  # fmt: skip
    if not learned.width:
        forms = [start + when + long, start + long, start + when + short, start + short]
    return [fitting(width, *forms)]


def turn_words(frame: Frame, *, short: bool = False) -> str:
    """Write the backlash, or the part of a usual nudge, that the next turn takes; '': unknown."""
    now = frame.snapshot.trim
    if not hint_words(frame) or now is None or now.hint is None or now.turns is None:
        return ""
    hint, turns = now.hint, now.turns
    if hint.lost is not None:
        lost = amount(hint.lost, turns.backlash_u, frame.unit)
        how = f"first {lost} lost" if short else f"the first {lost} do nothing"
        return f"reversing: {how}"
    part = next((word for most, word in _PARTS if (hint.of_usual or math.inf) < most), "")
    if not part or turns.usual is None:
        return ""
    usual = amount(turns.usual, turns.spread, frame.unit)
    return f"{part} a usual nudge" if short else f"usual nudge {usual}: {part} that"


def hint_words(frame: Frame, *, short: bool = False) -> str:
    """Write direction and size of the next nudge; empty where none is due.

    The direction is that of the last nudge, or back; where known, "back" has its reason in front:
    the last nudge went past the aim, or away from it.
    """
    now = frame.snapshot.trim
    if now is None or now.hint is None or frame.stale or side_of_aim(frame) == "inside":
        return ""
    if reason_to_wait(frame):
        return ""
    left = amount(now.hint.left, now.hint.left_u, frame.unit)
    course = now.hint.course
    if course != "on":
        return f"back, {left}" if short or course == "back" else f"{course}: back, {left}"
    return f"go on, {left}" if short else f"go on, {left} more the same way"


def tool_line(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw whether the tool is on the trimmer, what it pulls by, and what to aim for."""
    state, on = tool_state(frame), tool_on(frame)
    text = line(("  tool on", Role.OFF)) if on else line(("  tool off", Role.DIM))
    if state is not None and state.on and state.first is not None:
        moved = with_u(
            write_fraction(state.first.size, state.first.u, frame.unit),
            frame.theme.glyphs.plus_minus,
        )
        text += line(f", moved by {moved}")
        aim = line(("aim for V", Role.STRONG))
        phrases = (" as it went on; not turned yet? ", "; not turned? ", "; ")
        return [fitting(width, *(text + line(phrase) + aim for phrase in phrases))]
    if state is None or state.pull is None:
        return [text + line(", its pull is known once it is lifted")] if on else [text]
    pull = with_u(
        write_fraction(state.pull.size, state.pull.u, frame.unit), frame.theme.glyphs.plus_minus
    )
    touches = f" (from {how_many(state.pull.samples, 'step')})"
    text += line(f", it pulls by {pull}")
    aim = line(("; aim for V", Role.STRONG)) if on else StyledLine()
    return [fitting(width, text + line(touches) + aim, text + aim)]


def landing_line(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw whether the offset has stayed inside the tolerance for long enough, with hands off."""
    now = frame.snapshot.trim
    if now is None or now.landing is None:
        return []
    landing = now.landing
    if frame.stale:
        return [line(("  not landed: no readings come", Role.DIM))]
    if landing.state == "landed":
        lamp, reason = (
            line("  ", ("[LANDED]", Role.GOOD_LAMP), " "),
            frame.theme.printable(landing.reason),
        )
        key = frame.label_of(AS_LEFT_KEY)
        offer = f"{key} records it as left" if frame.operator and not has_as_left(frame) else ""
        long = lamp + line("; ".join(filter(None, (reason, offer))))
        row = fitting(width, long, lamp + line(offer or reason))
    elif landing.state == "holding":
        share = landing.held_s / landing.hold_s if landing.hold_s > 0 else 0.0
        held = f"{ago(0.0, landing.held_s)} of {format_duration(landing.hold_s)}"
        start, why = line("  hands off "), f" {held}, {frame.theme.printable(landing.reason)}"
        drawn = bar(share, 12, frame.theme)
        row = fitting(width, start + drawn + line(why), start + line(why.strip()))
    else:
        row = line((f"  not landed: {frame.theme.printable(landing.reason)}", Role.DIM))
    return [row]


def standing_lines(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw tool, landing and records, in three rows.

    In two rows the first is the more urgent of tool and landing; in one row the most urgent of the
    three is drawn.
    """
    if rows >= STANDING_ROWS:
        landing = landing_line(frame, width, rows) or [StyledLine()]
        return [*tool_line(frame, width, rows), *landing, *records_line(frame, width, rows)]
    if rows > 1:
        return [*_tool_or_landing(frame, width), *records_line(frame, width, rows)]
    now = frame.snapshot.trim
    landing_now = None if now is None or frame.stale else now.landing
    if landing_now is not None and landing_now.state != "outside":
        if landing_now.state != "landed" or not has_as_left(frame):
            return landing_line(frame, width, rows)
        lamp = line("  ", ("[LANDED]", Role.GOOD_LAMP))
        return [lamp + row for row in records_line(frame, width - lamp.width, rows)]
    waiting = frame.operator and not has_as_found(frame) and last_turn(frame) is None
    if tool_on(frame) or (_pull_known(frame) and not waiting):
        return tool_line(frame, width, rows)
    return records_line(frame, width, rows)


def _tool_or_landing(frame: Frame, width: int) -> list[StyledLine]:
    """Draw the tool while it is on or nothing better is known; else the landing."""
    now = frame.snapshot.trim
    inside = now is not None and now.landing is not None and now.landing.state != "outside"
    landing = landing_line(frame, width, 1)
    if landing and not tool_on(frame) and (inside or not _pull_known(frame)):
        return landing
    return tool_line(frame, width, 1)


def _pull_known(frame: Frame) -> bool:
    """Return whether the tool's pull has been measured."""
    state = tool_state(frame)
    return state is not None and state.pull is not None


def standing_rows(frame: Frame, _width: int, height: int) -> int:
    """Return the rows of tool, landing and records: 1 to 3 by height; 0 where none is known."""
    snapshot = frame.snapshot
    known = frame.operator or snapshot.trim is not None or snapshot.records is not None
    if not known:
        return int(frame.tool_on)
    return STANDING_ROWS if height >= STANDING_HEIGHT else 2 if height >= RECORDS_HEIGHT else 1
