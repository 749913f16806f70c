"""Finds the key that a tap on the footer, on the tabs or on the foot of an overlay means.

Only the page in a browser takes taps; on a terminal the mouse is left to select text.
"""

from collections.abc import Sequence

from rich.cells import cell_len

from benchwatch.screen.drawing.styled_text import Role, StyledLine
from benchwatch.screen.frame import Frame, Tab
from benchwatch.screen.key_binding import KeyBinding


def named_at(row: StyledLine, cell: int) -> tuple[str, int] | None:
    """Return the label of the key under `cell`, and how many cells right of its beginning that is.

    None where `cell` belongs to no key.
    """
    items: list[tuple[str, int, int]] = []
    at = 0
    for text, role in row.spans:
        end = at + cell_len(text)
        if role is Role.KEY:
            items.append((text, at, end))
        elif items and items[-1][2] == at:
            items[-1] = (items[-1][0], items[-1][1], at + cell_len(text.rstrip()))
        at = end
    for name, start, end in items:
        if start <= cell < end:
            return name, cell - start
    return None


def tab_at(row: StyledLine, cell: int, tabs: Sequence[Tab]) -> str | None:
    """Return the id of the key of the tab under `cell` of their row; None: there is no tab."""
    at = 0
    for text, role in row.spans:
        end = at + cell_len(text)
        if at <= cell < end and role in {Role.DIM, Role.PLAIN_LAMP}:
            words = text.strip()
            named = (tab.id for tab in tabs if words in {f"{tab.key} {tab.title}".strip(), tab.key})
            return next(named, None)
        at = end
    return None


def key_at(row: StyledLine, cell: int, frame: Frame) -> str | None:
    """Return the id of the key that a tap on `cell` of a footer's row means; None: no key.

    Of a pair such as Left/Right the tapped side counts; ``1-5`` means the key of the next view.
    """
    tapped = named_at(row, cell)
    if tapped is None:
        return None
    name, place = tapped
    footer = [key for key in frame.keys if key.footer]
    found = next((key for key in footer if (key.footer_label or key.label) == name), None)
    if found is None:
        return None
    if found.footer_label:
        return _next_view(frame.tabs)
    return _partner(found, frame.keys) if place > name.find("/") >= 0 else found.id


def _partner(key: KeyBinding, here: Sequence[KeyBinding]) -> str:
    """Return the id of the other key of a pair: the one listed next."""
    place = here.index(key)
    return here[min(place + 1, len(here) - 1)].id


def _next_view(tabs: Sequence[Tab]) -> str:
    place = next((index for index, tab in enumerate(tabs) if tab.current), 0)
    return tabs[(place + 1) % len(tabs)].id
