"""Help on a view, and the list of every key, as rows of text."""

from collections.abc import Collection, Sequence
from dataclasses import replace

from benchwatch.screen.drawing.styled_text import Role, StyledLine, line, wrapped_text
from benchwatch.screen.frame import View
from benchwatch.screen.key_bindings import Capability, KeyBinding, keys_elsewhere, keys_for
from benchwatch.screen.panels.shared_rows import HAZARDS
from benchwatch.screen.views.view_list import view_of

KEY_CELLS = 12


def help_lines(view: View, capabilities: Collection[Capability], width: int) -> list[StyledLine]:
    """Return the help of one view: what it shows, its keys, the cautions."""
    rows = [line((view.title, Role.STRONG)), StyledLine()]
    for paragraph in view.help:
        rows += [*wrapped_text(paragraph, width), StyledLine()]
    rows += [line(("Keys", Role.STRONG)), *_key_lines(keys_for(view.name, capabilities), width)]
    rows += [StyledLine(), line(("Cautions", Role.STRONG))]
    return rows + wrapped_text(HAZARDS[0], width, Role.OFF)


def key_list(view: View, capabilities: Collection[Capability], width: int) -> list[StyledLine]:
    """Return every key: those that work in this view, and those of the others."""
    here = keys_for(view.name, capabilities)
    elsewhere = keys_elsewhere(view.name, capabilities)
    rows = [line((f"Keys here ({view.title})", Role.STRONG)), *_key_lines(here, width)]
    if elsewhere:
        named = [
            replace(key, help=f"{view_of(key).title}: {key.help}") for key in elsewhere if key.help
        ]
        rows += [
            StyledLine(),
            line(("Keys in other views", Role.STRONG)),
            *_key_lines(named, width),
        ]
    return rows


def _key_lines(keys: Sequence[KeyBinding], width: int) -> list[StyledLine]:
    rows = []
    for key in keys:
        if key.help:
            first, *more = wrapped_text(key.help, width - KEY_CELLS)
            rows.append(line((f"{key.shown:<{KEY_CELLS}}", Role.KEY)) + first)
            rows += [line(" " * KEY_CELLS) + row for row in more]
    return rows
