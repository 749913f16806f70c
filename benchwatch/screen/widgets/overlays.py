"""The base of overlays: boxes over the view; and the overlay for pages of text."""

from collections.abc import Callable, Sequence
from typing import Generic, TypeVar

from textual.app import ComposeResult
from textual.containers import Vertical, VerticalScroll
from textual.events import Click
from textual.events import Key as KeyPress
from textual.screen import ModalScreen

from benchwatch.screen.drawing.styled_text import Role, StyledLine, line
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.key_binding import KeyBinding, pressed_key
from benchwatch.screen.widgets.tap_targets import named_at
from benchwatch.screen.widgets.view_widget import TextWidget

PAGE_CELLS = 90
"""Most cells of a row of a page."""
BORDER_CELLS = 6
"""Cells of the border of a box, with its blanks."""
PAGE_FOOT = line(
    ("q", Role.KEY), " or ", ("Esc", Role.KEY), " closes  ",
    ("Up", Role.KEY), "  ", ("Down", Role.KEY), "  ",
    ("PgUp", Role.KEY), "  ", ("PgDn", Role.KEY), " scroll",
)  # fmt: skip

Answer = TypeVar("Answer")


class Overlay(ModalScreen[Answer | None], Generic[Answer]):
    """A box over the view; the app passes it keys, each of which is handled at once."""

    def __init__(self, theme: Theme, foot: StyledLine) -> None:
        super().__init__()
        self._theme = theme
        self._foot = TextWidget(theme, [foot])
        self._foot.styles.height = 1
        self._answered = False

    def take_key(self, pressed: KeyPress) -> None:
        """Handle a key."""
        raise NotImplementedError

    def tapped_key(self, event: Click) -> str:
        """Return the label of the key tapped on the foot; Esc beside the box; empty: no key."""
        if event.widget is self:
            return "Esc"
        if not self._foot.region.contains(event.screen_x, event.screen_y):
            return ""
        named = named_at(self._foot.lines[0], event.screen_x - self._foot.region.x)
        return "" if named is None else named[0]

    def take_paste(self, text: str) -> None:
        """Handle pasted text; a box without a line to type on drops it."""

    def close_with(self, answer: Answer | None = None) -> None:
        """Close the box with an answer, unless another key or tap has closed it already."""
        if not self._answered:
            self._answered = True
            self.dismiss(answer)


class TextOverlay(Overlay[str]):
    """A page of text over the view; it scrolls when it is longer than the screen.

    A key that opens another page or a view closes this page; the id of the key is the answer.
    """

    CLOSING = frozenset({"escape", "q", "enter"})
    MOVING = {"up": -1, "down": 1, "pageup": -10, "pagedown": 10, "space": 10}  # noqa: RUF012 - never changed

    def __init__(
        self,
        theme: Theme,
        text: Callable[[int], list[StyledLine]],
        *,
        opener: str,
        openers: Sequence[KeyBinding],
    ) -> None:
        """Show the page that a key opened.

        Args:
            theme: Colours and characters.
            text: Gives the lines for a width in cells.
            opener: The id of the key that opened the page, and closes it.
            openers: All keys that open a page or a view.
        """
        super().__init__(theme, PAGE_FOOT)
        self._opener, self._openers = opener, openers
        self._text = text
        self._page = TextWidget(theme)
        self._rows = VerticalScroll(self._page, can_focus=False)

    def compose(self) -> ComposeResult:
        """Compose the text, which scrolls, and the foot."""
        with Vertical():
            yield self._rows
            yield self._foot

    def on_mount(self) -> None:
        """Lay the text out once the width is known."""
        self._lay_out()

    def on_resize(self) -> None:
        """Lay the text out again."""
        self._lay_out()

    def on_click(self, event: Click) -> None:
        """Handle a tap on the foot; a tap beside the page closes it."""
        match self.tapped_key(event):
            case "q" | "Esc":
                self.close_with()
            case "PgUp":
                self._move(-10)
            case "PgDn":
                self._move(10)

    def take_key(self, pressed: KeyPress) -> None:
        """Scroll the page or close it."""
        if pressed.key in self.CLOSING:
            self.close_with()
        elif pressed.key in self.MOVING:
            self._move(self.MOVING[pressed.key])
        elif key := pressed_key(pressed.key, self._openers):
            self.close_with(None if key.id == self._opener else key.id)

    def _move(self, rows: int) -> None:
        if self._rows.is_attached:
            self._rows.scroll_relative(y=rows, animate=False)

    def _lay_out(self) -> None:
        size = self.app.size
        text = self._text(max(min(size.width - BORDER_CELLS, PAGE_CELLS), 16))
        self._page.styles.height = len(text)
        self._rows.styles.max_height = max(size.height - 3, 1)
        self._page.show_lines(text)
