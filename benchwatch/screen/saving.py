"""Saves what a view shows as a file for print: a chart, or the rows of the screen as text."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from benchwatch.clock import local
from benchwatch.errors import BenchwatchError
from benchwatch.quantity import printable
from benchwatch.screen.drawing.styled_text import StyledLine
from benchwatch.screen.frame import Frame, drawn, stack
from benchwatch.screen.panels.ident import subject
from benchwatch.screen.panels.shared_rows import TOP_PANELS
from benchwatch.screen.text.local_time import date_and_time
from benchwatch.screen.typed_place import make_folder, typed_place
from benchwatch.screen.view import View

LONGEST_NAME: Final = 60
"""Characters of the subject in a file's name."""
MORE_ROWS: Final = 24
"""Rows that a list leaves to the other panels of its view."""
MOST_ROWS: Final = 400
MOST_TRIES: Final = 100
TABS_PANEL: Final = TOP_PANELS[1]
"""Not saved: tabs are for keys."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ViewToSave:
    """A view as it is on the screen now, to be written by another thread."""

    view: View
    frame: Frame
    width: int
    height: int
    """Cells and rows of the screen."""
    at_utc_s: float
    folder: Path
    """Where a file without a typed folder goes; it is made where it is not there."""
    typed: str = ""
    """The typed path; relative ones count from `folder`; empty: a name is made."""
    elsewhere: bool = False
    """Whether the operator may be at another computer than this: then only a name may be typed."""

    def save(self) -> str:
        """Write the file; return a sentence with its full path, or with what is wrong."""
        from benchwatch.report.forms.picture_file import (  # noqa: PLC0415 - only to save
            picture_bytes,
            picture_ending,
        )
        from benchwatch.report.whole_file import write_whole  # noqa: PLC0415 - likewise

        try:
            path = self._path()
            content = picture_bytes(picture_of(self), picture_ending(path))
            if path.parent == self.folder:
                make_folder(self.folder, "save ~/picture.svg")
            write_whole(path, content, replaces=False)
        except BenchwatchError as error:
            return str(error)
        where = " on the bench's computer" if self.elsewhere else ""
        return f"saved{where}: {printable(str(path), 300)}"

    def _path(self) -> Path:
        """Return the full path of the file; without a typed one, one that is free.

        Raises:
            UsageError: it is typed with a folder, and by somebody at another computer.
        """
        if self.typed:
            return typed_place(self.typed, self.folder, elsewhere=self.elsewhere, what="a picture")
        stem = default_stem(self.frame, self.view, self.at_utc_s)
        names = (f"{stem}{'' if n == 1 else f'-{n}'}.svg" for n in range(1, MOST_TRIES))
        paths = [self.folder.absolute() / name for name in names]
        return next((path for path in paths if not path.exists()), paths[-1])


def picture_of(saved: ViewToSave) -> str:
    """Return what a view shows as SVG: its chart, or where it has none its rows."""
    from benchwatch.report.charts.chart_json import chart_json  # noqa: PLC0415 - only to save
    from benchwatch.report.charts.svg import svg_of  # noqa: PLC0415 - likewise
    from benchwatch.report.charts.text_picture import text_picture  # noqa: PLC0415 - likewise

    view, frame = saved.view, saved.frame
    whose = "" if view.whole_bench else f"{printable(subject(frame.snapshot), 40)}: "
    title = f"{whose}{view.title}, {date_and_time(saved.at_utc_s)}"
    chart = None if view.print_chart is None else view.print_chart(frame)
    if chart is not None:
        return svg_of(chart_json(replace(chart, title=title)))
    return text_picture(title, [row.plain for row in saved_rows(saved)])


def saved_rows(saved: ViewToSave) -> list[StyledLine]:
    """Return the rows of a view without tabs and keys; a list with as many rows as it needs."""
    view, height = saved.view, saved.height
    frame = replace(saved.frame, message="")
    if view.length is not None:
        frame = replace(frame, scroll=0)
        height = min(max(height, view.length(frame) + MORE_ROWS), MOST_ROWS)
    panels = [panel for panel in TOP_PANELS if panel is not TABS_PANEL]
    return [
        row
        for panel, rows in stack([*panels, *view.panels], frame, saved.width, height)
        for row in drawn(panel, frame, saved.width, rows)
    ]


def default_stem(frame: Frame, view: View, at_utc_s: float) -> str:
    """Return the name of a file without ending: subject, view and local time."""
    whose = "bench" if view.whole_bench else subject(frame.snapshot)
    kept = "".join(one if one.isalnum() or one in "._-" else "-" for one in whose[:LONGEST_NAME])
    then = local(at_utc_s)
    return f"{kept.strip('.-') or 'counter'}-{view.option}-{then:%Y-%m-%d-%H%M%S}"
