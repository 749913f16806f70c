"""The overlays: pages of text, a line to type on, the command line."""

from collections.abc import Callable, Sequence
from typing import Any, Generic, TypeVar

from textual.app import ComposeResult
from textual.containers import Vertical, VerticalScroll
from textual.events import Click
from textual.events import Key as KeyPress
from textual.screen import ModalScreen

from benchwatch.screen.drawing.styled_text import Role, StyledLine, line, wrapped_text
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.key_bindings import KEY_CELLS, KeyBinding, pressed_key
from benchwatch.screen.typed_commands import Command, Suggestion
from benchwatch.screen.widgets.line_editor import LineEditor
from benchwatch.screen.widgets.tap_targets import named_at
from benchwatch.screen.widgets.view_widget import TextWidget

LONGEST_LINE = 200
"""Most characters of a typed line."""
PAGE_CELLS, PROMPT_CELLS, BORDER_CELLS = 90, 80, 6
"""Most cells of a row of a page, and of a box to type in; cells of the border and its blanks."""
SUGGESTIONS_SHOWN = 10
PAGE_FOOT = line(
    ("Esc", Role.KEY), " closes  ", ("Up", Role.KEY), "  ", ("Down", Role.KEY), "  ",
    ("PgUp", Role.KEY), "  ", ("PgDn", Role.KEY), " scroll",
)  # fmt: skip
TYPING_FOOT = line(("Enter", Role.KEY), " does it  ", ("Esc", Role.KEY), " cancels")
TITLE = "Do what? Type a word; Up, Down choose; Enter does it"


def suggestion_lines(found: Sequence[Suggestion], chosen: int, rows: int) -> list[StyledLine]:
    """Draw `rows` of the suggestions, the chosen one among them."""
    if not found:
        return [line(("nothing like that here", Role.DIM))]
    first = _first_shown(chosen, rows)
    drawn = []
    for index, one in enumerate(found[first : first + rows], first):
        role, mark = (Role.PLAIN_LAMP, ">") if index == chosen else (Role.TEXT, " ")
        drawn.append(line((f"{mark}{one.name:<{KEY_CELLS}}", Role.KEY), (one.text, role)))
    return drawn


def _first_shown(chosen: int, rows: int) -> int:
    return max(chosen - rows + 1, 0)


def _tapped(screen: ModalScreen[Any], foot: TextWidget, event: Click) -> str:
    """Return the label of the key tapped on `foot`; Esc for a tap beside the box; empty: none."""
    if event.widget is screen:
        return "Esc"
    if not foot.region.contains(event.screen_x, event.screen_y):
        return ""
    named = named_at(foot.lines[0], event.screen_x - foot.region.x)
    return "" if named is None else named[0]


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
        self._sheet = TextWidget(theme)
        self._rows = VerticalScroll(self._sheet, can_focus=False)

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
        match _tapped(self, self._foot, event):
            case "Esc":
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
        self._sheet.styles.height = len(text)
        self._rows.styles.max_height = max(size.height - 3, 1)
        self._sheet.show_lines(text)


class LineWidget(TextWidget):
    """The line that is being typed, drawn for the width it has."""

    def __init__(self, theme: Theme) -> None:
        super().__init__(theme)
        self.editor = LineEditor(LONGEST_LINE)

    def on_resize(self) -> None:
        """Draw for the new width."""
        self.draw()

    def draw(self) -> None:
        """Draw the line."""
        self.show_lines([self.editor.drawn(self.size.width)])


class TypingOverlay(Overlay[Answer]):
    """A box over the view with a line to type on."""

    def __init__(self, theme: Theme) -> None:
        super().__init__(theme, TYPING_FOOT)
        self._line = LineWidget(theme)

    def on_click(self, event: Click) -> None:
        """Handle a tap on the foot; a tap beside the box cancels."""
        match _tapped(self, self._foot, event):
            case "Esc":
                self.close_with()
            case "Enter":
                self.submit()

    def take_key(self, pressed: KeyPress) -> None:
        """Handle Enter and Esc; pass other keys to the line."""
        match pressed.key:
            case "enter":
                self.submit()
            case "escape":
                self.close_with()
            case key:
                self._line.editor.take(key, pressed.character)
                self.typed()

    def take_paste(self, text: str) -> None:
        """Insert pasted text into the line."""
        self._line.editor.insert(text)
        self.typed()

    def typed(self) -> None:
        """Draw the line after a change."""
        self._line.draw()

    def submit(self) -> None:
        """Handle Enter."""
        raise NotImplementedError


class PromptOverlay(TypingOverlay[str]):
    """Asks for one line of text; the answer is None when it was cancelled."""

    def __init__(self, theme: Theme, prompt: str) -> None:
        """Show `prompt` over the line to type on."""
        super().__init__(theme)
        self._prompt = prompt

    def compose(self) -> ComposeResult:
        """Lay out the prompt and the line to type on."""
        width = max(min(self.app.size.width, PROMPT_CELLS) - BORDER_CELLS, 16)
        prompt = wrapped_text(self._prompt, width, Role.STRONG)
        sheet = TextWidget(self._theme, prompt)
        sheet.styles.height = len(prompt)
        with Vertical():
            yield sheet
            yield self._line
            yield self._foot

    def submit(self) -> None:
        """Close with the typed text as the answer."""
        self.close_with(self._line.editor.text)


class CommandOverlay(TypingOverlay[Command]):
    """A line to type on, with suggestions under it; Up and Down choose, Enter does it."""

    def __init__(self, theme: Theme, find: Callable[[str], list[Suggestion]]) -> None:
        """Show the suggestions that `find` returns for the typed text."""
        super().__init__(theme)
        self._suggest = find
        self._list = TextWidget(theme)
        self._list.styles.height = SUGGESTIONS_SHOWN
        self._suggestions: list[Suggestion] = []
        self._chosen = 0
        self._find()

    def compose(self) -> ComposeResult:
        """Compose title, line, list and foot."""
        title = TextWidget(self._theme, [line((TITLE, Role.STRONG))])
        title.styles.height = 1
        with Vertical():
            yield title
            yield self._line
            yield self._list
            yield self._foot

    def take_key(self, pressed: KeyPress) -> None:
        """Move the choice by Up and Down; pass other keys to the line."""
        match pressed.key:
            case "up":
                self._choose(-1)
            case "down":
                self._choose(1)
            case "pageup":
                self._choose(-SUGGESTIONS_SHOWN)
            case "pagedown":
                self._choose(SUGGESTIONS_SHOWN)
            case _:
                super().take_key(pressed)

    def typed(self) -> None:
        """Draw the line after a change, and find the suggestions for it."""
        super().typed()
        self._find()

    def submit(self) -> None:
        """Run the chosen command; a command that needs a value is written onto the line."""
        if not self._suggestions:
            return
        suggestion = self._suggestions[self._chosen]
        if suggestion.command is not None:
            self.close_with(suggestion.command)
            return
        self._line.editor.text = f"{suggestion.name} "
        self.typed()

    def on_click(self, event: Click) -> None:
        """Run the tapped suggestion; the base class handles taps elsewhere."""
        row = event.screen_y - self._list.region.y
        if self._list.region.contains(event.screen_x, event.screen_y):
            chosen = _first_shown(self._chosen, SUGGESTIONS_SHOWN) + row
            if chosen < len(self._suggestions):
                self._chosen = chosen
                self.submit()

    def _choose(self, rows: int) -> None:
        self._chosen = min(max(self._chosen + rows, 0), max(len(self._suggestions) - 1, 0))
        self._show()

    def _find(self) -> None:
        """Find the suggestions for the typed text; the choice stays while they stay the same."""
        before = self._suggestions
        self._suggestions = self._suggest(self._line.editor.text)
        if before != self._suggestions:
            self._chosen = 0
        self._show()

    def _show(self) -> None:
        self._list.show_lines(suggestion_lines(self._suggestions, self._chosen, SUGGESTIONS_SHOWN))
