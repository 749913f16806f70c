"""The views in the order of their numbers, each framed by the rows that all share."""

from dataclasses import replace

from benchwatch.screen.frame import Panel, View, always
from benchwatch.screen.key_bindings import KeyBinding
from benchwatch.screen.panels.shared_rows import (
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
    panels = (
        Panel(header(titles), always(1)),
        Panel(counter_line, always(1)),
        Panel(trouble_line, trouble_rows),
        *view.panels,
        Panel(playing_line, playing_rows),
        Panel(key_lines, key_rows),
    )
    return replace(view, panels=panels)


def _gallery(*views: View) -> tuple[View, ...]:
    titles = tuple((view.name, view.title) for view in views if view.numbered)
    return tuple(_framed(view, titles) for view in views)


VIEWS = _gallery(TRIM, WARM_UP, STABILITY, ELSEWHERE, NOTES, FILL)
NUMBERED = tuple(view for view in VIEWS if view.numbered)


def view_named(name: str) -> View:
    """Return the view called `name`, or the first."""
    return next((view for view in VIEWS if view.name == name), VIEWS[0])


def view_of(key: KeyBinding) -> View:
    """Return the view to go to for `key`; that of a trim serves its larger form too."""
    return view_named(key.views[0])
