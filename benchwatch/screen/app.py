"""The app: draws the newest snapshot at a fixed rate, independent of the rate of readings."""

import time
from collections.abc import Callable, Collection
from dataclasses import replace
from pathlib import Path
from typing import Any

from textual.app import App, ComposeResult
from textual.driver import Driver
from textual.events import Event, Paste
from textual.events import Key as KeyPress

from benchwatch.colours import no_color_set
from benchwatch.errors import INTERRUPTED
from benchwatch.quantity import printable
from benchwatch.reading import AS_FOUND, AS_LEFT
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.styled_text import StyledLine
from benchwatch.screen.frame import Frame
from benchwatch.screen.key_binding import Capability, pressed_key
from benchwatch.screen.preferences import Preferences, load, save
from benchwatch.screen.questions import Questions
from benchwatch.screen.reporting import ReportToIssue
from benchwatch.screen.saving import ViewToSave
from benchwatch.screen.screen_state import ScreenState
from benchwatch.screen.typed_commands import (
    ChainCommand,
    CheckCommand,
    Command,
    CounterCommand,
    KeyCommand,
    ReportCommand,
    SaveCommand,
    SettingCommand,
    VisitCommand,
    suggestions,
)
from benchwatch.screen.view import View
from benchwatch.screen.watch_source import PlaybackControl, SoundMaker, TrimmerControl, WatchSource
from benchwatch.screen.widgets.overlays import Overlay, TextOverlay
from benchwatch.screen.widgets.tap_targets import key_at, tab_at
from benchwatch.screen.widgets.typing_overlays import CommandOverlay, PromptOverlay
from benchwatch.screen.widgets.view_widget import ViewWidget

DIGITS_EVERY_S, CHARTS_EVERY_S = 0.1, 0.25
"""Time between two redraws of the digits, and of the charts."""
CLOSING_KEYS = ("enter", "escape")
"""Keys that are often pressed once more than a page needs: a view that has no use for them says
nothing."""
PAGE_KEYS = ("explain", "list_keys", "budget")
"""Ids of the keys that open a page of text."""


class BenchwatchApp(App[None]):
    """The app that shows a running watch; `run_screen` runs it and returns the exit code."""

    CSS_PATH = Path(__file__).with_name("screen.tcss")
    ENABLE_COMMAND_PALETTE = False

    def __init__(
        self,
        watch: WatchSource,
        *,
        trimmer: TrimmerControl | None = None,
        playback: PlaybackControl | None = None,
        sound: SoundMaker | None = None,
        options: DisplayOptions | None = None,
        driver: type[Driver] | None = None,
        every_s: tuple[float, float] | None = (DIGITS_EVERY_S, CHARTS_EVERY_S),
    ) -> None:
        """Build the screen of a running `watch`.

        Args:
            watch: Gives the snapshots, and takes the commands.
            trimmer: The trimmer that the turning keys turn; None: there are no such keys.
            playback: Controls of the recording that `watch` plays; None: a live watch.
            sound: Makes the sound output; None: no sound.
            options: Theme, first view and files.
            driver: The terminal library's class that draws and reads keys; None: its own choice.
            every_s: Seconds between redraws of digits and of charts; None: no timers.
        """
        self.options = options or DisplayOptions()
        theme = self.options.theme
        with no_color_set(not theme.colour):  # the theme has decided
            super().__init__(driver, ansi_color=not theme.colour)
        self.animation_level = "none"
        self.set_class(not theme.colour, "plain")
        self.set_class(theme.word == "light", "light")
        self._watch, self._every_s = watch, every_s
        self._redraw_asked = False
        self.ending = False
        """Whether the app is ending."""
        saved = load(self.options.state) if self.options.state is not None else Preferences()
        began = replace(saved, unit=self.options.unit or saved.unit)
        self._saved_unit = saved.unit if self.options.unit else None
        """The unit of fractions to save, where the one to begin with is configured."""
        self._sound = None if sound is None else sound(self.bell)
        self.screen_state = ScreenState(
            watch, trimmer, self.options, began, playback=playback, sound=self._sound
        )
        self._questions = Questions(self.screen_state, self._ask, self.redraw_soon, playback)

    def compose(self) -> ComposeResult:
        """Compose the widgets."""
        self.view_widget = ViewWidget(self.options.theme)
        yield self.view_widget

    def on_mount(self) -> None:
        """Start the sound and the timers of the two drawing rates."""
        if self._sound is not None:
            self._sound.start()
        if self._every_s is not None:
            digits_s, charts_s = self._every_s
            self.set_interval(digits_s, self.redraw_digits)
            self.set_interval(charts_s, self.redraw)
        self.call_after_refresh(self.redraw)
        self.call_after_refresh(self._questions.power)

    def on_view_widget_resized(self) -> None:
        """Draw for the new size."""
        self.redraw()

    def on_unmount(self) -> None:
        """Save the preferences, and close the sound output."""
        if self._sound is not None:
            self._sound.stop()
        if self.options.state is not None:
            chosen = self.screen_state.preferences
            if self._saved_unit is not None and chosen.unit == self.options.unit:
                chosen = replace(chosen, unit=self._saved_unit)
            save(self.options.state, chosen)

    # ---------------------------------------------------------------- drawing

    def redraw_digits(self) -> None:
        """Draw all but the charts from the newest snapshot."""
        self._draw(charts=False)

    def redraw(self) -> None:
        """Fetch the history for the charts, and draw everything from the newest snapshot."""
        self.screen_state.fetch_history(self.size.width)
        self._draw(charts=True)

    def redraw_soon(self) -> None:
        """Draw everything once, after the keys that have already arrived are handled."""
        if not self._redraw_asked:
            self._redraw_asked = True
            self.call_later(self._redraw_once)

    def _redraw_once(self) -> None:
        self._redraw_asked = False
        self.redraw()

    def _draw(self, *, charts: bool) -> None:
        if self.view_widget.size.area:
            frame = self.screen_state.frame()
            self._ring()
            self._update_sound(frame)
            self.view_widget.show(self.screen_state.view, frame, charts=charts)

    def _ring(self) -> None:
        """Ring the bell once when a counter's oscillator settles."""
        if self.screen_state.settled() and self.options.bell:
            self.bell()

    def _update_sound(self, frame: Frame) -> None:
        if self._sound is not None:
            self._sound.update(frame.snapshot, frame.now_s)
            notice = self._sound.notice()
            if notice:
                self.screen_state.show_message(notice)

    @property
    def crash(self) -> str:
        """The error that ended the app, in one line; empty if none did."""
        error = self._exception
        return "" if error is None else described(error)

    # ---------------------------------------------------------------- keys

    async def on_event(self, event: Event) -> None:
        """Handle keys and pasted text at once, each before the next arrives.

        The terminal library would put them into queues of the widgets: while a key that closes an
        overlay waited there, the keys behind it would still go to the overlay.
        """
        if isinstance(event, KeyPress):
            self.take_key(event)
        elif isinstance(event, Paste):
            self._take_paste(event.text)
        else:
            await super().on_event(event)

    def _take_paste(self, text: str) -> None:
        if self.ending:
            return
        if isinstance(self.screen, Overlay):
            self.screen.take_paste(text)
        else:
            self.screen_state.paste(text)
            self.redraw_soon()

    def exit(self, *args: Any, **options: Any) -> None:
        """End the app; keys typed from now on are ignored."""
        self.ending = True
        super().exit(*args, **options)

    def action_interrupt(self) -> None:
        """End the app with the exit code of an interrupted command."""
        self.exit(return_code=INTERRUPTED)

    def take_key(self, pressed: KeyPress) -> None:
        """Handle a key: in the overlay if one is open, else in the view."""
        if self.ending:
            return
        if pressed.key == "ctrl+c":
            self.action_interrupt()
        elif isinstance(self.screen, Overlay):
            self.screen.take_key(pressed)
        elif self.screen_state.type_key(pressed.key, pressed.character):
            self.redraw_soon()
            self._questions.power()
        else:
            frame = self.screen_state.frame()
            views = self.screen_state.views
            elsewhere = views.keys_elsewhere(self.screen_state.view, frame.capabilities)
            if key := pressed_key(pressed.key, frame.keys):
                self.act(key.id)
            elif pressed.key in CLOSING_KEYS:
                pass
            elif key := pressed_key(pressed.key, elsewhere):
                where = views.view_for(key).title
                self.screen_state.show_message(
                    f"{key.label} ({key.footer or key.action}) works on {where}"
                )
                self.redraw_soon()

    def on_view_widget_tapped(self, event: ViewWidget.Tapped) -> None:
        """Run the tapped key, or show the tapped counter; only a page in a browser sends taps."""
        frame = self.screen_state.frame()
        if event.tabs:
            key = tab_at(event.row, event.cell, frame.tabs)
        else:
            key = key_at(event.row, event.cell, frame)
        if event.counter is not None:
            self._command(CounterCommand(event.counter))
        elif key is not None:
            self.act(key)

    def act(self, key: str) -> None:
        """Run the action of the key with this id: open an overlay, or change the screen's state."""
        view, available = self.screen_state.view, self.screen_state.frame().capabilities
        match key:
            case "leave" | "end_typing":
                self.exit()
            case "explain" | "list_keys" | "budget":
                self.push_screen(self._page(key, view, available), self._next_page)
            case "note":
                self._questions.mark()
            case "open_number":
                self._questions.number()
            case "go_to":
                self._questions.go_to()
            case "prove_chain":
                self._questions.prove_chain()
            case "set_settle":
                self._questions.settle_limit()
            case "found" | "left" if "typed" in available:
                self._questions.record(key, AS_FOUND if key == "found" else AS_LEFT)
            case "command":
                self.screen_state.keep_view()
                counters = self.screen_state.choices()
                overlay = CommandOverlay(
                    self.options.theme,
                    lambda typed: suggestions(
                        typed, self.screen_state.views, view, available, counters
                    ),
                )
                self.push_screen(overlay, self._command)
            case _:
                self.screen_state.press(key)
                self.redraw_soon()
                self._questions.power()

    def _save(self, typed: str) -> None:
        """Save the view as it is now, on a thread of its own: to draw and to write takes time."""
        job = ViewToSave(
            view=self.screen_state.view,
            frame=self.screen_state.frame(),
            width=self.view_widget.size.width,
            height=self.view_widget.size.height,
            at_utc_s=time.time(),
            folder=self.options.reports,
            typed=typed,
            elsewhere=self.is_web,
        )

        self._do_beside("save", job.save)

    def _report(self, typed: str) -> None:
        """Issue the report on the visit of the counter, on a thread of its own."""
        now = self.screen_state.frame().snapshot
        job = ReportToIssue(
            visit=now.visit,
            journal=self.options.journal,
            folder=self.options.reports,
            station=now.station,
            typed=typed,
            elsewhere=self.is_web,
            note=self._watch.counter(now.counter).note_report,
        )
        self._show_saved("the report is being made ...")
        self._do_beside("report", job.issue)

    def _do_beside(self, name: str, job: Callable[[], str]) -> None:
        """Do something that takes time on a thread of its own, and show its sentence."""

        def do() -> None:
            sentence = job()
            if not self.ending:
                self.call_later(self._show_saved, sentence)

        self.run_worker(do, name=name, thread=True)

    def _show_saved(self, sentence: str) -> None:
        self.screen_state.show_message(sentence)
        self.redraw_soon()

    def _page(self, opener: str, view: View, available: Collection[Capability]) -> TextOverlay:
        """Make the page that the key with the id `opener` opens; keys of other pages replace it."""
        from benchwatch.screen import text_pages  # noqa: PLC0415 - the first screen does not need it

        views = self.screen_state.views

        def text(width: int) -> list[StyledLine]:
            match opener:
                case "explain":
                    here = self.screen_state.frame().keys
                    return text_pages.help_lines(views, view, here, width)
                case "list_keys":
                    return text_pages.key_list(views, view, available, width)
                case _:
                    return text_pages.record_lines(self.screen_state.frame(), width)

        openers = {*PAGE_KEYS, *(view.key_id for view in views.tabs)}
        others = [key for key in views.keys_in(view, available) if key.id in openers]
        return TextOverlay(self.options.theme, text, opener=opener, openers=others)

    def _next_page(self, key: str | None) -> None:
        if key is not None:
            self.act(key)

    def _ask(self, prompt: str, then: Callable[[str | None], None]) -> None:
        """Ask for a line of text, and call `then` with the answer; None: cancelled."""
        self.push_screen(PromptOverlay(self.options.theme, prompt), then)

    def _command(self, command: Command | None) -> None:
        """Run a command that was typed; None: the line was cancelled."""
        match command:
            case KeyCommand():
                if command.view:
                    self.screen_state.show(command.view)
                if self.screen_state.key(command.key) is not None:
                    self.act(command.key)
            case CounterCommand():
                self.screen_state.open_counter(command.name)
                self.redraw_soon()
                self._questions.power()
            case SaveCommand():
                self._save(command.path)
            case ReportCommand():
                self._report(command.path)
            case VisitCommand():
                self._questions.change_visit(command)
            case ChainCommand("prove", ()):
                self._questions.prove_chain()
            case CheckCommand() | ChainCommand() | SettingCommand():
                self._change(command)

    def _change(self, command: CheckCommand | ChainCommand | SettingCommand) -> None:
        """Run a command that asks nothing."""
        match command:
            case CheckCommand():
                self.screen_state.check(command)
            case ChainCommand():
                self.screen_state.change_chain(command)
            case SettingCommand():
                self.screen_state.change(command)
        self.redraw_soon()


def described(error: BaseException) -> str:
    """Return an error as one line of printable text."""
    text = printable(" ".join(str(error).split()), 200)
    return f"{type(error).__name__}: {text}" if text else type(error).__name__
