"""The rows every view shares: tabs, unit and counter, faults, cautions, keys."""

from typing import Final

from benchwatch.pipeline.time_base_correction import correction_words
from benchwatch.quantity import format_duration, format_frequency
from benchwatch.run.bench_ranking import TROUBLES, BenchTrouble
from benchwatch.screen.drawing.styled_text import (
    Role,
    StyledLine,
    at_both_ends,
    fitting,
    line,
    safe,
    wrapped,
    wrapped_text,
)
from benchwatch.screen.frame import Frame, Panel, always
from benchwatch.screen.key_binding import KeyBinding
from benchwatch.screen.panels import status_text
from benchwatch.screen.panels.entry_row import entry_line, entry_rows
from benchwatch.screen.panels.ident import ident_line, subject
from benchwatch.screen.text.amounts import run_time

SHORT_HEIGHT = 20
"""Height in rows below which optional rows are left out."""
TALL_HEIGHT = 32
"""Height in rows from which figures and scale are larger, and a headline is drawn."""

IDENT_LEAST_CELLS = 10
"""Cells of the ident that must stay, with its blanks."""
NAME_CELLS = 20
"""Most characters of the name of a counter."""
TABS_ROW = 1
"""The row of the tabs on the screen; the top one is 0."""
MOST_TROUBLES = len(TROUBLES)
MOST_GAP = 2
"""Blanks between two tabs where there is room."""
LETTERS_ARE_TYPED = "letters go onto the line until it is empty"
MOST_TROUBLE_ROWS = 2
"""Most rows of a fault or message on a short screen; other screens have one more."""

HAZARDS = (
    (
        "Covers off: mains and stored charge, hot oven. Use a non-metallic tool. "
        "Local codes and licensed practice come first."
    ),
    "Mains, stored charge, hot oven: non-metallic tool, licensed practice first.",
    "Mains, stored charge, hot oven; non-metallic tool; codes.",
)
"""The usual cautions, longest first; the first that fits is shown."""


def tabs_line(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw the tabs of the views, and the time of the run.

    Where there is little room the tabs stand closer, and then only the current one has its title.
    """
    time = line((f" {run_time(frame.now_s)} ", Role.DIM))
    room = width - time.width
    wide, close, short = (_tabs(frame, gap=gap) for gap in (2, 1, 0))
    return [at_both_ends(fitting(room, wide, close, short), time, width, frame.theme.glyphs.cut)]


def _tabs(frame: Frame, *, gap: int) -> StyledLine:
    """Draw the tabs with `gap` blanks between them; 0: only the current one with its title."""
    row, after_lamp = StyledLine(), False
    for tab in frame.tabs:
        words = f"{tab.key} {tab.title}".strip() if gap or tab.current else tab.key
        if not words:
            continue
        start = "" if after_lamp and gap < MOST_GAP else " "
        if tab.current:
            row += line((f" {words} ", Role.PLAIN_LAMP))
        else:
            row += line((f"{start}{words}{' ' if gap != 1 else ''}", Role.DIM))
        after_lamp = tab.current
    return row


def unit_line(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw the top row: unit or counter, nominal, troubles of others, gate, time base, link.

    Where there is little room, the number of the visit is left out first, then the gate, then the
    lesser troubles; then the ident is cut, and an external time base is left out.
    """
    snapshot, cut = frame.snapshot, frame.theme.glyphs.cut
    nominal = format_frequency(snapshot.nominal_hz)
    what = line(f"{nominal if snapshot.nominal_hz > 0 else 'nominal unknown'}  ")
    visit = _visit_words(frame)
    long, *fewer, short = (troubles_words(frame, most=n) for n in range(MOST_TROUBLES, 0, -1))
    gate = "unknown" if snapshot.gate_s is None else format_duration(snapshot.gate_s)
    facts, link = _counter_facts(frame), status_text.link_words(frame) + line(" ")
    least = link if snapshot.time_base.source == "external" else facts
    gated = line(f"gate {gate}  ") + facts
    ident = line(" ") + ident_line(subject(snapshot), cut) + line(" ")
    forms = (
        (visit, long, gated), (None, long, gated), (None, long, facts),
        *((None, some, facts) for some in (*fewer, short)),
    )  # fmt: skip
    for number, troubles, right in forms:
        rest = (number or StyledLine()) + what + troubles
        if ident.width + rest.width + right.width <= width:
            return [at_both_ends(ident + rest, right, width, cut)]
    rest = what + short
    right = facts if width - rest.width - facts.width >= IDENT_LEAST_CELLS else least
    room = min(max(width - rest.width - right.width, IDENT_LEAST_CELLS), ident.width)
    return [at_both_ends(ident.fit(room - 1, cut) + line(" ") + rest, right, width, cut)]


def _visit_words(frame: Frame) -> StyledLine:
    """Write the number of the visit, and whether it is closed; empty without a number."""
    visit = frame.snapshot.visit
    if visit is None or visit.number is None:
        return StyledLine()
    return line((f"visit {visit.number} {'closed ' if visit.closed else ''} ", Role.DIM))


def _counter_facts(frame: Frame) -> StyledLine:
    """Write time base, link, and age of the reading."""
    snapshot = frame.snapshot
    source = snapshot.time_base.source
    correction = correction_words(snapshot.reading)
    sure = source == "external" or (source == "unknown" and correction != "")
    time_base = line((correction or f"time base {source}", Role.TEXT if sure else Role.OFF))
    return time_base + line("  ") + status_text.link_words(frame) + line(" ")


def troubles_words(frame: Frame, *, most: int) -> StyledLine:
    """Write the `most` worst troubles of the bench and how many more; empty where there are none.

    One counter in a state is named, several are counted.
    """
    troubles = frame.troubles
    if not troubles:
        return StyledLine()
    words = [_trouble(frame, one) for one in troubles[:most]]
    if more := sum(len(one.names) for one in troubles[most:]):
        words.append(f"{more} more")
    return line((", ".join(words), Role.OFF), "  ")


def _trouble(frame: Frame, trouble: BenchTrouble) -> str:
    if len(trouble.names) > 1:
        return f"{len(trouble.names)} {trouble.state}"
    return f"{frame.theme.printable(trouble.names[0], NAME_CELLS)} {trouble.state}"


def trouble_or_counter_line(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw the most important fault or message; without one, which instrument reads."""
    if status_text.trouble_words(frame):
        return trouble_line(frame, width, rows)
    snapshot = frame.snapshot
    words = safe(snapshot.identity.text if snapshot.identity else snapshot.resource)
    return [line((f" {words}", Role.DIM))]


def trouble_line(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw the most important fault or message; the last row is cut to fit."""
    text = status_text.trouble_words(frame)
    role = Role.TEXT if text == frame.theme.printable(frame.message) else Role.OFF
    *first, last = wrapped_text(text, width - 1, role)[:rows] or [StyledLine()]
    rest = text.split()[sum(len(row.plain.split()) for row in first) :]
    return [line(" ") + row for row in (*first, line((" ".join(rest), role)) if rest else last)]


def trouble_rows(frame: Frame, width: int, height: int) -> int:
    """Return the rows of the fault or message; without one 1, or 0 on a short screen."""
    text = status_text.trouble_words(frame)
    if not text:
        return int(height >= SHORT_HEIGHT)
    return min(len(wrapped_text(text, width - 1)), MOST_TROUBLE_ROWS + (height >= SHORT_HEIGHT))


def hazard_line(_frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw the cautions for work with the covers off."""
    shown = next((text for text in HAZARDS if len(text) + 2 <= width), HAZARDS[-1])
    return [line((f" {shown}", Role.DIM))]


_LENGTHS: Final = {
    "whole": "{}",
    "so far": "more than {}",
    "broken": "{}, where the file is broken",
}


def playing_rows(frame: Frame, _width: int, _height: int) -> int:
    """Return 1 row when a recording is played."""
    return int(frame.playing is not None)


def playing_line(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw the playback of a recording: state, time, speed, and a bar with the position."""
    now = frame.playing
    if now is None:
        return [StyledLine()]
    role = Role.PLAIN_LAMP if now.state == "playing" else Role.OFF_LAMP
    text = line(
        " recording ",
        (f" {now.state} ", role),
        f" {run_time(now.at_s)} of {_LENGTHS[now.length].format(run_time(now.length_s))}, "
        f"at {now.speed:g}x ",
    )
    glyphs, cells = frame.theme.glyphs, max(width - text.width - 3, 1)
    share = now.at_s / now.length_s if now.length_s > 0 else 1.0
    place = min(max(round(share * (cells - 1)), 0), cells - 1)
    rail = line(
        (glyphs.left_end + glyphs.rule * place, Role.AXIS),
        (glyphs.full, Role.ESTIMATE),
        (glyphs.rule * (cells - 1 - place) + glyphs.right_end, Role.AXIS),
    )
    return [fitting(width, text + rail, text)]


def key_rows(frame: Frame, width: int, height: int) -> int:
    """Return the rows of the footer: at most 2, or 1 on a short screen."""
    return min(len(key_lines(frame, width, height)), 2 if height >= SHORT_HEIGHT else 1)


def key_lines(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw the footer: every key that has an effect in this view now."""
    here = {tab.id for tab in frame.tabs if tab.current}
    shown = [
        _key(key) for key in frame.keys if key.footer and (key.footer_label or key.id not in here)
    ]
    if frame.entry:
        shown.append(line((LETTERS_ARE_TYPED, Role.DIM)))
    return [line(" ") + row for row in wrapped(shown, width - 1)]


def _key(key: KeyBinding) -> StyledLine:
    return line((key.footer_label or key.label, Role.KEY), " " + key.footer)


TOP_PANELS = (
    Panel(draw=unit_line, rows=always(1)),
    Panel(draw=tabs_line, rows=always(1)),
    Panel(draw=trouble_or_counter_line, rows=trouble_rows),
)
BOTTOM_PANELS = (
    Panel(draw=playing_line, rows=playing_rows),
    Panel(draw=entry_line, rows=entry_rows),
    Panel(draw=key_lines, rows=key_rows),
)
"""Panels above and below those of every view."""
