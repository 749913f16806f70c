"""The views in the order of their numbers, each framed by the rows that all share."""

from dataclasses import replace

from benchwatch.screen.frame import Block, View, always
from benchwatch.screen.parts import counter_line, header, key_lines, key_rows, trouble_line
from benchwatch.screen.views.trim import TRIM


def _framed(view: View, titles: tuple[tuple[str, str], ...]) -> View:
    blocks = (
        Block(header(titles), always(1)),
        Block(counter_line, always(1)),
        Block(trouble_line, always(1)),
        *view.blocks,
        Block(key_lines, key_rows),
    )
    return replace(view, blocks=blocks)


def _numbered(*views: View) -> tuple[View, ...]:
    titles = tuple((view.name, view.title) for view in views)
    return tuple(_framed(view, titles) for view in views)


VIEWS = _numbered(TRIM)


def view_named(name: str) -> View:
    """Return the view called `name`, or the first."""
    return next((view for view in VIEWS if view.name == name), VIEWS[0])
