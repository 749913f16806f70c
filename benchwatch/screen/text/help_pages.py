"""Help on a view, and the list of every key, as rows of text."""

from collections.abc import Collection, Sequence
from dataclasses import replace

from benchwatch.screen.drawing.frame import View
from benchwatch.screen.drawing.styled_text import Ink, Line, line, wrapped_text
from benchwatch.screen.key_bindings import Key, Need, keys_elsewhere, keys_for
from benchwatch.screen.text.shared_rows import HAZARDS
from benchwatch.screen.views.view_list import view_of

KEY_CELLS = 12


def help_lines(view: View, have: Collection[Need], width: int) -> list[Line]:
    """Return the help of one view: what it shows, its keys, the cautions."""
    rows = [line((view.title, Ink.STRONG)), Line()]
    for paragraph in view.help:
        rows += [*wrapped_text(paragraph, width), Line()]
    rows += [line(("Keys", Ink.STRONG)), *_key_lines(keys_for(view.name, have), width)]
    rows += [Line(), line(("Cautions", Ink.STRONG))]
    return rows + wrapped_text(HAZARDS[0], width, Ink.OFF)


def key_list(view: View, have: Collection[Need], width: int) -> list[Line]:
    """Return every key: those that work in this view, and those of the others."""
    here = keys_for(view.name, have)
    elsewhere = keys_elsewhere(view.name, have)
    rows = [line((f"Keys here ({view.title})", Ink.STRONG)), *_key_lines(here, width)]
    if elsewhere:
        named = [
            replace(key, help=f"{view_of(key).title}: {key.help}") for key in elsewhere if key.help
        ]
        rows += [Line(), line(("Keys in other views", Ink.STRONG)), *_key_lines(named, width)]
    return rows


def _key_lines(keys: Sequence[Key], width: int) -> list[Line]:
    rows = []
    for key in keys:
        if key.help:
            first, *more = wrapped_text(key.help, width - KEY_CELLS)
            rows.append(line((f"{key.shown:<{KEY_CELLS}}", Ink.KEY)) + first)
            rows += [line(" " * KEY_CELLS) + row for row in more]
    return rows
