"""Overlays with a line to type on: a prompt, and the command line with its suggestions."""

from collections.abc import Callable, Sequence

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.events import Click
from textual.events import Key as KeyPress

from benchwatch.screen.drawing.styled_text import Role, StyledLine, line, wrapped_text
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.key_binding import KEY_CELLS
from benchwatch.screen.typed_commands import Command, Suggestion
from benchwatch.screen.widgets.line_editor import LineEditor
from benchwatch.screen.widgets.overlays import BORDER_CELLS, Answer, Overlay
from benchwatch.screen.widgets.view_widget import TextWidget

LONGEST_TYPED_LINE = 200
"""Most characters of a typed line."""
PROMPT_CELLS = 80
"""Most cells of a box to type in."""
SUGGESTIONS_SHOWN = 10
TYPING_FOOT = line(
    ("Enter", Role.KEY), " confirms  ", ("Esc", Role.KEY), " cancels; q is a letter here"
)
TITLE = "Command: type a word of it; Up and Down choose, Enter runs it"


def suggestion_lines(found: Sequence[Suggestion], chosen: int, rows: int) -> list[StyledLine]:
    """Draw `rows` of the suggestions, the chosen one among them."""
    if not found:
        return [line(("no command has these words", Role.DIM))]
    first = _first_shown(chosen, rows)
    drawn = []
    for index, one in enumerate(found[first : first + rows], first):
        role, mark = (Role.PLAIN_LAMP, ">") if index == chosen else (Role.TEXT, " ")
        drawn.append(line((f"{mark}{one.name:<{KEY_CELLS - 1}} ", Role.KEY), (one.text, role)))
    return drawn


def _first_shown(chosen: int, rows: int) -> int:
    """Return the index of the first suggestion in a list of `rows` that shows the chosen one."""
    return max(chosen - rows + 1, 0)


class LineWidget(TextWidget):
    """A widget that shows the line that is being typed."""

    def __init__(self, theme: Theme) -> None:
        super().__init__(theme)
        self.editor = LineEditor(LONGEST_TYPED_LINE)

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
        match self.tapped_key(event):
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
        prompt_widget = TextWidget(self._theme, prompt)
        prompt_widget.styles.height = len(prompt)
        with Vertical():
            yield prompt_widget
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
        """Run the chosen command; a setting without a value is written onto the line."""
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
