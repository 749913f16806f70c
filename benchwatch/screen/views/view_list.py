"""The views in the order of their numbers, each framed by the rows that all share."""

from dataclasses import replace

from benchwatch.screen.drawing.frame import Block, View, always
from benchwatch.screen.key_bindings import Key
from benchwatch.screen.text.shared_rows import (
    counter_line,
    header,
    key_lines,
    key_rows,
    playing_line,
    playing_rows,
    trouble_line,
    trouble_rows,
)
from benchwatch.screen.views.elsewhere_view import ELSEWHERE
from benchwatch.screen.views.fill_view import FILL
from benchwatch.screen.views.notes_view import NOTES
from benchwatch.screen.views.stability_view import STABILITY
from benchwatch.screen.views.trim_view import TRIM
from benchwatch.screen.views.warm_up_view import WARM_UP


def _framed(view: View, titles: tuple[tuple[str, str], ...]) -> View:
    blocks = (
        Block(header(titles), always(1)),
        Block(counter_line, always(1)),
        Block(trouble_line, trouble_rows),
        *view.blocks,
        Block(playing_line, playing_rows),
        Block(key_lines, key_rows),
    )
    return replace(view, blocks=blocks)


def _gallery(*views: View) -> tuple[View, ...]:
    titles = tuple((view.name, view.title) for view in views if view.numbered)
    return tuple(_framed(view, titles) for view in views)


VIEWS = _gallery(TRIM, WARM_UP, STABILITY, ELSEWHERE, NOTES, FILL)
NUMBERED = tuple(view for view in VIEWS if view.numbered)


def view_named(name: str) -> View:
    """Return the view called `name`, or the first."""
    return next((view for view in VIEWS if view.name == name), VIEWS[0])


def view_of(key: Key) -> View:
    """Return the view to go to for `key`; that of a trim serves its larger form too."""
    return view_named(key.views[0])
