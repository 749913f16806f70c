"""Where a footer, a row of tabs or the foot of a page is tapped: which key that stands for.

Only the page in a browser takes taps; on a terminal the mouse is left to select text.
"""

from collections.abc import Collection

from rich.cells import cell_len

from benchwatch.screen.drawing.styled_text import Role, StyledLine
from benchwatch.screen.key_bindings import Capability, KeyBinding, keys_for
from benchwatch.screen.views.view_list import NUMBERED


def named_at(row: StyledLine, cell: int) -> tuple[str, int] | None:
    """Return the name of the key whose words lie under `cell`, and the cell of them it is.

    None where no key is named so far left.
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


def tab_at(row: StyledLine, cell: int) -> str | None:
    """Return the id of the key of the view whose tab lies under `cell` of the top row."""
    at = 0
    for text, role in row.spans:
        number, end = text.strip().partition(" ")[0], at + cell_len(text)
        if at <= cell < end and role in {Role.DIM, Role.PLAIN_LAMP} and number.isdecimal():
            return f"view_{number}" if int(number) <= len(NUMBERED) else None
        at = end
    return None


def key_at(
    row: StyledLine, cell: int, view: str, capabilities: Collection[Capability]
) -> str | None:
    """Return the id of the key that a tap on `cell` of a footer's row stands for.

    A pair, such as Left/Right, is tapped at the side that is meant; ``1-5`` goes to the next view.
    """
    tapped = named_at(row, cell)
    if tapped is None:
        return None
    name, place = tapped
    here = keys_for(view, capabilities)
    found = next((key for key in here if key.short and (key.foot or key.shown) == name), None)
    if found is None:
        return None
    if found.foot:
        return _next_view(view)
    return _partner(found, here) if place > name.find("/") >= 0 else found.id


def _partner(key: KeyBinding, here: list[KeyBinding]) -> str:
    """Return the id of the other key of a pair: the one listed next."""
    place = here.index(key)
    return here[min(place + 1, len(here) - 1)].id


def _next_view(view: str) -> str:
    names = [one.name for one in NUMBERED]
    place = names.index(view) if view in names else 0
    return f"view_{(place + 1) % len(names) + 1}"
