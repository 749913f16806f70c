"""The widget that shows a picture; it repaints only the rows that changed."""

from collections.abc import Sequence

from textual.events import Click
from textual.geometry import Region
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget

from benchwatch.screen.drawing.styled_text import StyledLine
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.frame import Frame, Panel, drawn, names_drawn, stack
from benchwatch.screen.panels.shared_rows import TABS_ROW
from benchwatch.screen.view import View, all_panels


class TextWidget(Widget):
    """A widget that shows styled lines, one a row."""

    def __init__(self, theme: Theme, lines: Sequence[StyledLine] = ()) -> None:
        super().__init__()
        self._theme = theme
        self._lines = list(lines)

    @property
    def lines(self) -> list[StyledLine]:
        """The lines that are shown."""
        return self._lines

    def show_lines(self, lines: Sequence[StyledLine]) -> None:
        """Show `lines`; only rows that changed are repainted."""
        before, self._lines = self._lines, list(lines)
        width = self.size.width
        changed = [
            Region(0, y, width, 1)
            for y in range(max(len(before), len(self._lines)))
            if y >= len(before) or y >= len(self._lines) or before[y] != self._lines[y]
        ]
        if changed:
            self.refresh(*changed)

    def render_line(self, y: int) -> Strip:
        """Render row `y`; rows that were never drawn are blank."""
        width = self.size.width
        row = self._lines[y] if y < len(self._lines) else StyledLine()
        row = row.fit(width, self._theme.glyphs.cut)
        return Strip(self._theme.segments(row), width)


class ViewWidget(TextWidget):
    """A widget that shows a view, with digits and charts each drawn at their own rate."""

    class Resized(Message):
        """The size of the widget has changed, so that its picture no longer fits."""

    class Tapped(Message):
        """A cell of a row was tapped.

        Args:
            row: the row.
            cell: its cell.
            tabs: whether it is the row of the tabs.
            counter: the counter whose row it is; None: it is no counter's.
        """

        def __init__(
            self, row: StyledLine, cell: int, *, tabs: bool, counter: str | None = None
        ) -> None:
            super().__init__()
            self.row, self.cell, self.tabs, self.counter = row, cell, tabs, counter

    def __init__(self, theme: Theme) -> None:
        super().__init__(theme)
        self._layout: list[tuple[Panel, int]] = []
        self._drawn: list[list[StyledLine]] = []
        self._names: list[list[str | None]] = []
        """Of each panel the counters whose rows were drawn; empty: it has none."""

    def on_resize(self) -> None:
        """Post that the size has changed."""
        self.post_message(self.Resized())

    def on_click(self, event: Click) -> None:
        """Post which row and cell was tapped."""
        if event.y < len(self.lines):
            row, counter = self.lines[event.y], self._counter_at(event.y)
            self.post_message(self.Tapped(row, event.x, tabs=event.y == TABS_ROW, counter=counter))

    def _counter_at(self, y: int) -> str | None:
        """Return the name of the counter whose row is at `y`, as it was drawn; None: no row is."""
        for (_, rows), names in zip(self._layout, self._names, strict=True):
            if y < rows:
                return names[y] if names else None
            y -= rows
        return None

    def show(self, view: View, frame: Frame, *, charts: bool) -> None:
        """Draw `frame`; the slow panels only with `charts`, or when the layout has changed."""
        width, height = self.size
        layout = stack(all_panels(view), frame, width, height)
        changed = layout != self._layout or any(
            panel and panel[0].width != width for panel in self._drawn
        )
        pieces, names = [], []
        for index, (panel, rows) in enumerate(layout):
            keep = panel.slow and not charts and not changed
            pieces.append(self._drawn[index] if keep else drawn(panel, frame, width, rows))
            names.append(self._names[index] if keep else names_drawn(panel, frame, rows))
        self._layout, self._drawn, self._names = layout, pieces, names
        self.show_lines([row for piece in pieces for row in piece])
