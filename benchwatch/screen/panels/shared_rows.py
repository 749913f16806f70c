"""The rows every view shares: header, state of the counter, faults, cautions, keys."""

from typing import Final

from benchwatch.pipeline.time_base_correction import correction_words
from benchwatch.quantity import format_duration, format_frequency
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

IDENTITY_CELLS = 20
"""Cells of the counter's identity that must stay: the gate is left out rather than these."""
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


def header_line(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw the top row: unit or counter, nominal, tabs of the views, time of the run.

    Where there is little room, the number of the visit is left out first, then the titles of the
    other tabs.
    """
    snapshot = frame.snapshot
    nominal = format_frequency(snapshot.nominal_hz)
    visit = snapshot.visit
    number = "" if visit is None or visit.number is None else f"visit {visit.number}  "
    if visit is not None and visit.closed:
        number = number.replace("  ", " closed  ")
    what = f"{nominal if snapshot.nominal_hz > 0 else 'nominal unknown'} "
    ident = line(" ") + ident_line(subject(snapshot), frame.theme.glyphs.cut) + line(" ")
    who, rest = ident + line(what), StyledLine()
    if len(frame.names) > 1:
        place = list(frame.names).index(snapshot.counter) + 1
        for name, state in frame.missing[:1]:  # there is no room for more
            rest += line((f"{safe(name, 20)} {state}, ", Role.OFF))
        rest += line((f"{place} of {len(frame.names)}, n next ", Role.DIM))
    time = line((f" {run_time(frame.now_s)} ", Role.DIM))
    tabs = _tabs(frame, short=False)
    numbered = ident + line((number, Role.DIM), what) + rest
    who += rest
    if who.width + tabs.width + time.width > width:
        tabs = _tabs(frame, short=True)
    if numbered.width + tabs.width + time.width <= width:
        who = numbered
    return [at_both_ends(who, tabs + time, width, frame.theme.glyphs.cut)]


def _tabs(frame: Frame, *, short: bool) -> StyledLine:
    """Draw the tabs; when `short`, only the current one with its title."""
    row = StyledLine()
    for tab in frame.tabs:
        if tab.current:
            row += line((f" {tab.key} {tab.title} ", Role.PLAIN_LAMP))
        else:
            row += line((f" {tab.key} " if short else f" {tab.key} {tab.title} ", Role.DIM))
    return row


def counter_line(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw the state of the counter: identity, gate, time base, link, age of the reading.

    On a narrow screen the gate is left out first; the identity always keeps its beginning.
    """
    snapshot = frame.snapshot
    gate = "unknown" if snapshot.gate_s is None else format_duration(snapshot.gate_s)
    source = snapshot.time_base.source
    correction = correction_words(snapshot.reading)
    sure = source == "external" or (source == "unknown" and correction != "")
    time_base = line((correction or f"time base {source}", Role.TEXT if sure else Role.OFF))
    facts = time_base + line("  ") + status_text.link_words(frame) + line(" ")
    gated = line(f" gate {gate}  ") + facts
    who = line(f" {safe(snapshot.identity.text if snapshot.identity else snapshot.resource)}")
    right = gated if gated.width + min(who.width, IDENTITY_CELLS) <= width else line(" ") + facts
    return [at_both_ends(who, right, width, frame.theme.glyphs.cut)]


def trouble_line(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw the most important fault or message; the last row is cut to fit."""
    text = status_text.trouble_words(frame)
    role = Role.TEXT if text == frame.theme.printable(frame.message) else Role.OFF
    *first, last = wrapped_text(text, width - 1, role)[:rows] or [StyledLine()]
    rest = text.split()[sum(len(row.plain.split()) for row in first) :]
    return [line(" ") + row for row in (*first, line((" ".join(rest), role)) if rest else last)]


def trouble_rows(frame: Frame, width: int, height: int) -> int:
    """Return the rows of the fault or message; without one, 1 row, or 0 on a short screen."""
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
    shown = [_key(key) for key in frame.keys if key.footer]
    if frame.entry:
        shown.append(line((LETTERS_ARE_TYPED, Role.DIM)))
    return [line(" ") + row for row in wrapped(shown, width - 1)]


def _key(key: KeyBinding) -> StyledLine:
    return line((key.footer_label or key.label, Role.KEY), " " + key.footer)


TOP_PANELS = (
    Panel(draw=header_line, rows=always(1)),
    Panel(draw=counter_line, rows=always(1)),
    Panel(draw=trouble_line, rows=trouble_rows),
)
BOTTOM_PANELS = (
    Panel(draw=playing_line, rows=playing_rows),
    Panel(draw=entry_line, rows=entry_rows),
    Panel(draw=key_lines, rows=key_rows),
)
"""Panels above and below those of every view."""
