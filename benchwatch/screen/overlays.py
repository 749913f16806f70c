"""What lies over a view for a moment: the help, and the line for a note."""

from collections.abc import Collection, Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Input

from benchwatch.screen.frame import View
from benchwatch.screen.ink import Ink, Line, Look, line, wrapped_text
from benchwatch.screen.keys import Need, keys_for
from benchwatch.screen.parts import HAZARDS
from benchwatch.screen.stage import Sheet

LONGEST_NOTE = 200
LONGEST_ROW, FRAME_CELLS = 90, 6
"""Cells of a row of help, and of the border and blanks around it."""


def help_lines(view: View, have: Collection[Need], width: int) -> list[Line]:
    """Return the help of one view: what it shows, its keys, the cautions."""
    rows = [line((view.title, Ink.STRONG)), Line()]
    for paragraph in view.help:
        rows += [*wrapped_text(paragraph, width), Line()]
    rows.append(line(("Keys", Ink.STRONG)))
    for key in keys_for(view.name, have):
        if key.help:
            first, *more = wrapped_text(key.help, width - 12)
            rows.append(line((f"{key.shown:<11} ", Ink.KEY)) + first)
            rows += [line(" " * 12) + row for row in more]
    rows += [Line(), line(("Cautions", Ink.STRONG))]
    return rows + wrapped_text(HAZARDS[0], width, Ink.OFF)


class Help(ModalScreen[None]):
    """The help of a view; scrolls when it is longer than the screen."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,h,q,question_mark,enter", "leave", "close"),
        Binding("up", "move(-1)"),
        Binding("down", "move(1)"),
        Binding("pageup", "move(-10)"),
        Binding("pagedown,space", "move(10)"),
    ]

    def __init__(self, view: View, look: Look, have: Collection[Need]) -> None:
        super().__init__()
        self._view, self._look, self._have = view, look, have

    def compose(self) -> ComposeResult:
        """Lay the text into a frame that scrolls."""
        self._sheet = Sheet(self._look)
        self._title = Sheet(self._look, [line((" Esc closes, Up and Down scroll", Ink.DIM))])
        with Vertical():
            with VerticalScroll(can_focus=False):
                yield self._sheet
            yield self._title

    def on_mount(self) -> None:
        """Lay the text out once the width is known."""
        self._title.styles.height = 1
        self._lay_out()

    def on_resize(self) -> None:
        """Lay the text out anew."""
        self._lay_out()

    def action_leave(self) -> None:
        """Close."""
        self.dismiss()

    def action_move(self, rows: int) -> None:
        """Scroll by `rows`."""
        self.query_one(VerticalScroll).scroll_relative(y=rows, animate=False)

    def _lay_out(self) -> None:
        width = max(min(self.app.size.width - FRAME_CELLS, LONGEST_ROW), 16)
        text = help_lines(self._view, self._have, width)
        self._sheet.styles.height = len(text)
        self._sheet.show_lines(text)


class Note(ModalScreen[str | None]):
    """One line of text for the time line; None when it was cancelled."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "cancel")]

    def __init__(self, look: Look, prompt: str, hints: Sequence[str] = ()) -> None:
        super().__init__()
        self._look, self._prompt, self._hints = look, prompt, hints

    def compose(self) -> ComposeResult:
        """Lay out the prompt and the line to type on."""
        rows = [line((self._prompt, Ink.STRONG))]
        rows += [line((hint, Ink.DIM)) for hint in self._hints]
        sheet = Sheet(self._look, rows)
        sheet.styles.height = len(rows)
        with Vertical():
            yield sheet
            yield Input(max_length=LONGEST_NOTE, compact=True)

    def on_mount(self) -> None:
        """Be ready to type."""
        self.query_one(Input).focus()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Hand the text back."""
        self.dismiss(event.value)

    def action_leave(self) -> None:
        """Cancel."""
        self.dismiss(None)
