"""What lies over a view for a moment: pages of text, a line to type on, the command line."""

from collections.abc import Callable, Collection, Sequence
from typing import Any, ClassVar, TypeVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.events import Click
from textual.events import Key as KeyPress
from textual.screen import ModalScreen
from textual.widgets import Input

from benchwatch.screen.commands import Command, Offer, offers
from benchwatch.screen.help import KEY_CELLS
from benchwatch.screen.ink import Ink, Line, Look, line, wrapped_text
from benchwatch.screen.keys import Need
from benchwatch.screen.stage import Sheet
from benchwatch.screen.taps import named_at

LONGEST_NOTE = 200
LONGEST_ROW, LINE_CELLS, FRAME_CELLS = 90, 80, 6
"""Cells of a row of text, of a box to type in, and of the border and blanks around both."""
OFFERS_SHOWN = 10
PAGE_FOOT = line(
    ("Esc", Ink.KEY), " closes  ", ("Up", Ink.KEY), "  ", ("Down", Ink.KEY), "  ",
    ("PgUp", Ink.KEY), "  ", ("PgDn", Ink.KEY), " scroll",
)  # fmt: skip
TYPING_FOOT = line(("Enter", Ink.KEY), " does it  ", ("Esc", Ink.KEY), " cancels")
TITLE = "Do what? Type a word; Up, Down choose; Enter does it"


def offer_lines(found: Sequence[Offer], chosen: int, rows: int) -> list[Line]:
    """Draw `rows` of what was found, the chosen one among them."""
    if not found:
        return [line(("nothing like that here", Ink.DIM))]
    first = _first_shown(chosen, rows)
    drawn = []
    for index, offer in enumerate(found[first : first + rows], first):
        ink = Ink.PLAIN_LAMP if index == chosen else Ink.TEXT
        mark = ">" if index == chosen else " "
        drawn.append(line((f"{mark}{offer.name:<{KEY_CELLS}}", Ink.KEY), (offer.text, ink)))
    return drawn


def _first_shown(chosen: int, rows: int) -> int:
    return max(chosen - rows + 1, 0)


def _tapped(screen: ModalScreen[Any], foot: Sheet, event: Click) -> str:
    """Name the key that was tapped on `foot`; beside the box it is Esc."""
    if event.widget is screen:
        return "Esc"
    if not foot.region.contains(event.screen_x, event.screen_y):
        return ""
    named = named_at(foot.lines[0], event.screen_x - foot.region.x)
    return "" if named is None else named[0]


class Page(ModalScreen[None]):
    """Text over the view; scrolls when it is longer than the screen."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,h,b,q,question_mark,enter", "leave", "close"),
        Binding("up", "move(-1)"),
        Binding("down", "move(1)"),
        Binding("pageup", "move(-10)"),
        Binding("pagedown,space", "move(10)"),
    ]

    def __init__(self, look: Look, text: Callable[[int], list[Line]]) -> None:
        """Take `text`, which gives the lines for a width."""
        super().__init__()
        self._look, self._text = look, text

    def compose(self) -> ComposeResult:
        """Lay the text into a frame that scrolls."""
        self._sheet = Sheet(self._look)
        self._foot = Sheet(self._look, [PAGE_FOOT])
        self._foot.styles.height = 1
        with Vertical():
            with VerticalScroll(can_focus=False):
                yield self._sheet
            yield self._foot

    def on_mount(self) -> None:
        """Lay the text out once the width is known."""
        self._lay_out()

    def on_resize(self) -> None:
        """Lay the text out anew."""
        self._lay_out()

    def on_click(self, event: Click) -> None:
        """Take a tap on the foot, or one beside the page, which closes it."""
        match _tapped(self, self._foot, event):
            case "Esc":
                self.action_leave()
            case "PgUp":
                self.action_move(-10)
            case "PgDn":
                self.action_move(10)

    def action_leave(self) -> None:
        """Close."""
        self.dismiss()

    def action_move(self, rows: int) -> None:
        """Scroll by `rows`."""
        self.query_one(VerticalScroll).scroll_relative(y=rows, animate=False)

    def _lay_out(self) -> None:
        size = self.app.size
        text = self._text(max(min(size.width - FRAME_CELLS, LONGEST_ROW), 16))
        self._sheet.styles.height = len(text)
        self.query_one(VerticalScroll).styles.max_height = max(size.height - 3, 1)
        self._sheet.show_lines(text)


Answer = TypeVar("Answer")


class Typing(ModalScreen[Answer | None]):
    """A line to type on, over the view; takes what is typed before it stands there too."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._look = look
        self._typed = Input(max_length=LONGEST_NOTE, compact=True, select_on_focus=False)
        self._foot = Sheet(look, [TYPING_FOOT])
        self._foot.styles.height = 1
        self._early = 0
        """Characters that came before the line took keys itself."""

    def on_mount(self) -> None:
        """Be ready to type."""
        self.set_focus(self._typed)

    def on_key(self, event: KeyPress) -> None:
        """Take a key that came before the line had the focus; later printable ones stay there."""
        if event.is_printable or self.focused is None:
            self.take_early(event)

    def take_early(self, event: KeyPress) -> None:
        """Do what the line would do with a key that came too early for it."""
        if event.is_printable and event.character is not None:
            self._typed.insert(event.character, self._early)
            self._early += 1
        elif event.key == "backspace" and self._early:
            self._early -= 1
            self._typed.delete(self._early, self._early + 1)
        elif event.key == "escape":
            self.action_leave()
        elif event.key == "enter":
            self.call_after_refresh(self.submit)

    def on_click(self, event: Click) -> None:
        """Take a tap on the foot, or one beside the box, which cancels."""
        match _tapped(self, self._foot, event):
            case "Esc":
                self.action_leave()
            case "Enter":
                self.submit()

    def on_input_submitted(self) -> None:
        """Enter, on the line itself."""
        self.submit()

    def submit(self) -> None:
        """Do what Enter does."""
        raise NotImplementedError

    def action_leave(self) -> None:
        """Cancel."""
        self.dismiss(None)


class Ask(Typing[str]):
    """One line of text; None when it was cancelled."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "cancel")]

    def __init__(self, look: Look, prompt: str) -> None:
        """Ask for what `prompt` says."""
        super().__init__(look)
        self._prompt = prompt

    def compose(self) -> ComposeResult:
        """Lay out the prompt and the line to type on."""
        width = max(min(self.app.size.width, LINE_CELLS) - FRAME_CELLS, 16)
        prompt = wrapped_text(self._prompt, width, Ink.STRONG)
        sheet = Sheet(self._look, prompt)
        sheet.styles.height = len(prompt)
        with Vertical():
            yield sheet
            yield self._typed
            yield self._foot

    def submit(self) -> None:
        """Hand the text back."""
        self.dismiss(self._typed.value)


class CommandLine(Typing[Command]):
    """A line to type on, and under it what it can mean; Up and Down choose, Enter does it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "cancel"),
        Binding("up", "move(-1)"),
        Binding("down", "move(1)"),
    ]

    def __init__(self, look: Look, view: str, have: Collection[Need]) -> None:
        """Offer what can be done in `view` on a bench that has `have`."""
        super().__init__(look)
        self._view, self._have = view, have
        self._offers: list[Offer] = []
        self._chosen = 0

    def compose(self) -> ComposeResult:
        """Lay out the line and the list."""
        title = Sheet(self._look, [line((TITLE, Ink.STRONG))])
        title.styles.height = 1
        self._list = Sheet(self._look)
        self._list.styles.height = OFFERS_SHOWN
        with Vertical():
            yield title
            yield self._typed
            yield self._list
            yield self._foot

    def on_mount(self) -> None:
        """Show what there is."""
        self._find("")

    def on_input_changed(self, event: Input.Changed) -> None:
        """Look again with what is typed now."""
        self._find(event.value)

    def submit(self) -> None:
        """Do the chosen one; one that still needs words is written onto the line."""
        self._find(self._typed.value, keep=True)
        if not self._offers:
            return
        offer = self._offers[self._chosen]
        if offer.command is not None:
            self.dismiss(offer.command)
            return
        self._typed.value = f"{offer.name} "
        self._typed.cursor_position = len(self._typed.value)

    def on_click(self, event: Click) -> None:
        """Take a tap on an offer: it is done. What any box takes is taken too."""
        row = event.screen_y - self._list.region.y
        if self._list.region.contains(event.screen_x, event.screen_y):
            chosen = _first_shown(self._chosen, OFFERS_SHOWN) + row
            if chosen < len(self._offers):
                self._chosen = chosen
                self.submit()

    def action_move(self, rows: int) -> None:
        """Choose another."""
        self._chosen = min(max(self._chosen + rows, 0), max(len(self._offers) - 1, 0))
        self._show()

    def _find(self, typed: str, *, keep: bool = False) -> None:
        """Look up what was typed; `keep` the choice where it still finds the same."""
        before, self._offers = self._offers, offers(typed, self._view, self._have)
        if not (keep and before == self._offers):
            self._chosen = 0
        self._show()

    def _show(self) -> None:
        self._list.show_lines(offer_lines(self._offers, self._chosen, OFFERS_SHOWN))
