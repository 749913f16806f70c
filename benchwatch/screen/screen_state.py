"""The state of the screen: which counter and view are shown, and what each key does to it."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Final

from benchwatch.errors import BenchwatchError, UnknownUnit
from benchwatch.quantity import printable
from benchwatch.reading import AS_FOUND, AS_LEFT, NO_WORDS, RecordKind
from benchwatch.screen.chain_actions import chain_actions, run_chain_command
from benchwatch.screen.check_actions import CHECK_VIEW, go_on_checking, is_checking
from benchwatch.screen.counter_number import CounterNumber
from benchwatch.screen.counter_state import CounterState
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.entry_line import shown_keys
from benchwatch.screen.frame import BenchRow, Frame
from benchwatch.screen.key_binding import KeyBinding, capabilities
from benchwatch.screen.key_changes import with_changed_keys
from benchwatch.screen.moment_message import MomentMessage
from benchwatch.screen.panels.ident import subject
from benchwatch.screen.panels.status_text import tool_on
from benchwatch.screen.playback_actions import playback_actions, sound_actions
from benchwatch.screen.preferences import Preferences, unit_after
from benchwatch.screen.shown_counters import ShownCounters
from benchwatch.screen.shown_view import ShownView
from benchwatch.screen.typed_commands import (
    ChainCommand,
    CheckCommand,
    CounterChoice,
    SettingCommand,
    VisitCommand,
)
from benchwatch.screen.view import View
from benchwatch.screen.view_actions import selecting_actions, turning_actions, view_actions
from benchwatch.screen.views.view_list import VIEWS
from benchwatch.screen.watch_source import (
    CounterHandle,
    PlaybackControl,
    SoundOutput,
    TrimmerControl,
    WatchSource,
)
from benchwatch.snapshot import Trace
from benchwatch.system.clocks import monotonic

POINTS_A_CELL = 6
"""Points for a cell of a chart: two columns of dots, each with lowest, highest and a gap."""


class ScreenState:
    """The state of the screen, and the actions of its keys; it needs no terminal.

    Args:
        watch: gives the snapshots, and takes the commands.
        trimmer: turns what the turning keys turn; None: nothing does.
        options: theme, first view and files.
        preferences: the choices made last time.
        playback: controls of the recording that `watch` plays; None: a live watch.
        sound: makes the offset audible; None: no sound.
    """

    def __init__(
        self,
        watch: WatchSource,
        trimmer: TrimmerControl | None,
        options: DisplayOptions,
        preferences: Preferences,
        *,
        playback: PlaybackControl | None = None,
        sound: SoundOutput | None = None,
    ) -> None:
        self._watch, self._trimmer = watch, trimmer
        self._playback, self._sound = playback, sound
        # The time of a recording stops, jumps and runs fast; people read a message in real time.
        clock_s = watch.elapsed_s if playback is None else monotonic
        self._theme, self.preferences = options.theme, preferences
        self.views: Final = with_changed_keys(VIEWS, options.keys, options.keys_from)
        several = len(watch.names) > 1
        self._view = ShownView(options.view, several=several)
        self._counters = ShownCounters(watch, clock_s)
        self._number = CounterNumber()
        self._scroll = 0
        self._message = MomentMessage(clock_s)
        self._trace, self._span_s = Trace(), preferences.span_s
        """The history that the charts show, and its time span."""
        self._rows: Sequence[BenchRow] | None = None
        """The rows of the bench; None: they are to be made for the next picture."""
        if VIEWS.named(options.view).whole_bench and not several:
            self.show_message(f"the view {options.view} needs two counters or more")
        self._actions = self._actions_of_keys() | view_actions(self.show, lambda: self.view)
        self._actions |= selecting_actions(self._counters)
        if trimmer is not None:
            self._actions |= turning_actions(trimmer, lambda: self._counters.name)
        for id_, action in chain_actions(watch, lambda: self._counters.name).items():
            self._actions[id_] = partial(self._try, action)
        if playback is not None:
            self._actions |= playback_actions(playback)
        if sound is not None:
            self._actions |= sound_actions(sound, self.show_message)

    @property
    def view(self) -> View:
        """The view on the screen."""
        return self._view.view

    @property
    def _handle(self) -> CounterHandle:
        """The handle to the counter that is shown."""
        return self._counters.handle

    @property
    def _counter(self) -> CounterState:
        """The state kept for the counter that is shown."""
        return self._counters.state

    def fetch_history(self, width: int) -> None:
        """Fetch the history of offsets for charts of `width` cells, or new rows of the bench.

        Before that the view follows the state, until the operator has chosen one.
        """
        followed = self._view.follow(self._handle.snapshot)
        if followed:
            self._scroll = 0
            self.show_message(followed)
        self._rows = None
        if self.view.whole_bench:
            return
        now_s = self._watch.elapsed_s()
        self._span_s = self.view.chart(self._handle.snapshot, self.preferences, now_s).span_s
        self._trace = self._handle.trace(self._span_s, POINTS_A_CELL * width)

    def frame(self) -> Frame:
        """Return the frame of the next picture, after showing messages about new snapshots."""
        now_s, view, names = self._watch.elapsed_s(), self.view, self._watch.names
        for text in self._counters.messages(now_s):
            self.show_message(text)
        if view.whole_bench and self._rows is None:
            self._rows = self._counters.rows(now_s, self.preferences.unit)
        snapshot, axes, trace = self._handle.snapshot, self._counter.axes, self._trace
        axes.follow(snapshot, now_s, self.preferences.unit)
        chart = view.chart(snapshot, self.preferences, now_s)
        playing = None if self._playback is None else self._playback.playing
        available = capabilities(
            trimmer=self._trimmer is not None,
            operator=self._handle.takes_commands,
            counters=len(names),
            playing=playing is not None,
            sound=self._sound is not None,
            typed=self._handle.enter is not None and not view.whole_bench,
            compare=self._watch.chain is not None and len(names) > 1,
        )
        keys = self.views.keys_in(view, available)
        return Frame(
            snapshot=snapshot,
            now_s=now_s,
            theme=self._theme,
            trace=trace,
            names=names,
            rows=self._rows or () if view.whole_bench else (),
            troubles=self._counters.troubles(others=not view.whole_bench),
            tabs=self.views.tabs_for(view, available),
            keys=shown_keys(keys, available, self._counter.entry.text),
            capabilities=available,
            unit=axes.unit,
            drift_unit=axes.drift_unit,
            hertz_format=axes.offset_formats.hertz,
            fraction_format=axes.offset_formats.fraction,
            left_hertz_format=axes.left_formats.hertz,
            left_fraction_format=axes.left_formats.fraction,
            scale_full=axes.scale.full,
            window=axes.window(view.name, chart, snapshot, trace, now_s),
            span_s=self._span_s,
            tool_on=self._counter.tool_on,
            playing=playing,
            preferences=self.preferences,
            scroll=self._scroll,
            comparison=self._watch.comparison(self._counters.name),
            offered=()
            if self._watch.chain is None
            else self._watch.chain.offered(self._counters.name),
            entry=self._counter.entry.text if "typed" in available else None,
            entry_refused=self._counter.entry.refused,
            message=self._number.prompt(len(names)) or self._message.text,
        )

    def key(self, id_: str) -> KeyBinding | None:
        """Return the binding with this id; None when it has no effect in this view now."""
        here = self.views.keys_in(self.view, self.frame().capabilities)
        return next((one for one in here if one.id == id_), None)

    def type_key(self, name: str, character: str | None) -> bool:
        """Type a key on the entry line, or in the number of a counter.

        Return whether it belongs there, and not to the view.
        """
        if self.view.whole_bench:
            return self._type_number(name)
        return self._handle.enter is not None and self._counter.entry.take(name, character)

    def _type_number(self, name: str) -> bool:
        """Type a key in the number of a counter; open the counter once it can be no other."""
        typed = self._number.type(name, self._counters.count)
        if typed.refused:
            self.show_message(typed.refused)
        if typed.number is not None:
            self._counters.choose_number(typed.number)
        if typed.complete:
            self._open()
        return typed.belongs

    def paste(self, text: str) -> None:
        """Put pasted text on the entry line, if there is one."""
        if self.view.whole_bench or self._handle.enter is None:
            return
        if self._counter.entry.paste(text):
            self.show_message("only the first line was pasted; Enter takes it as a reading")

    def _take_reading(self) -> None:
        """Take what is on the entry line as a reading, or show why it is none."""
        enter, entry = self._handle.enter, self._counter.entry
        if enter is None:
            return
        try:
            enter(entry.text)
        except BenchwatchError as error:
            entry.refused = True
            self.show_message(str(error))
        else:
            entry.clear()
            self._message.clear()

    def _clear_entry(self) -> None:
        self._counter.entry.clear()

    def press(self, id_: str) -> None:
        """Run the action of the key with this id, unless it has no effect in this view now."""
        key = self.key(id_)
        if key is None:
            return
        if key.changes is not None:
            self.preferences = key.changes(self.preferences, self._handle.snapshot)
        elif key.scrolls:
            self._scroll_by(key)
        elif id_ in self._actions:
            self._actions[id_]()

    def show(self, view: str) -> None:
        """Show the view called `view`, from the beginning of its list."""
        self._scroll = 0
        self._view.choose(view)
        self._counters.choose(self._counters.name)

    def keep_view(self) -> None:
        """Keep the present view, whatever the state of the oscillator."""
        self._view.stay()

    def show_message(self, text: str) -> None:
        """Show a sentence for a moment."""
        self._message.show(text)

    def settled(self) -> bool:
        """Return, once each time, whether a counter has settled."""
        return bool(self._counters.settled())

    def mark(self, text: str) -> None:
        """Put a mark on the time line, with words or without."""
        text = text.strip()
        self._watch.mark(text)
        self.show_message(f"marked: {printable(text or NO_WORDS)}")

    def choices(self) -> list[CounterChoice]:
        """Return the counters that a typed command can open; with a single one, none."""
        return self._counters.choices()

    def change(self, command: SettingCommand) -> None:
        """Change a setting; show a sentence with its new value, or why it was refused."""
        handle = self._handle
        if handle.takes_commands:
            self._try(lambda: handle.change(command.setting, command.text))
            self._counter.gate_asked |= command.setting == "gate"

    def power_question(self) -> str | None:
        """Return whose power the operator is asked about now; each counter is asked for once.

        None: nothing is asked of the counter that is shown, nor on the bench.
        """
        now = self._handle.snapshot
        asks = not self.view.whole_bench and self._handle.takes_commands
        return subject(now) if asks and self._counter.asks_power(now) else None

    def change_chain(self, command: ChainCommand) -> None:
        """Compare counters, or use what their comparison says; show a sentence."""
        self._try(lambda: run_chain_command(self._watch, self._counters.name, command))

    def change_visit(self, command: VisitCommand) -> bool:
        """Change the visit; show a sentence. Return False if its unit is not known yet."""
        handle = self._handle
        try:
            self.show_message(handle.change_visit(command.change, command.text))
        except UnknownUnit:
            return False
        except BenchwatchError as error:
            self.show_message(str(error))
        return True

    def check(self, command: CheckCommand) -> None:
        """Begin checks at other dial settings, in their view; show a sentence."""
        self.show(CHECK_VIEW)
        self._try(lambda: self._handle.check(command.text))

    # ---------------------------------------------------------------- what keys do

    def _actions_of_keys(self) -> dict[str, Callable[[], None]]:
        """Return the actions, by id, of the keys that act on counters, the trimmer and the unit."""
        return {
            "unit": self._next_unit,
            "open_counter": self._open,
            "next_counter": lambda: self._step(1),
            "previous_counter": lambda: self._step(-1),
            "take_reading": self._take_reading,
            "clear_entry": self._clear_entry,
            "next_view": lambda: self._show_beside(1),
            "previous_view": lambda: self._show_beside(-1),
            "tool": self._touch,
            "found": lambda: self._record(AS_FOUND),
            "left": lambda: self._record(AS_LEFT),
            "go_on_checking": lambda: self._try(
                lambda: go_on_checking(self._handle, self._trimmer, self._counters.name)
            ),
            "stop_checking": self._stop_checking,
        }

    def _try(self, action: Callable[[], str]) -> None:
        """Show the sentence that `action` returns, or that of its error."""
        try:
            self.show_message(action())
        except BenchwatchError as error:
            self.show_message(str(error))

    def _next_unit(self) -> None:
        unit = unit_after(self.preferences.unit)
        self.preferences = replace(self.preferences, unit=unit)
        self.show_message(f"fractions in {unit or 'the unit that fits'}")

    def _scroll_by(self, key: KeyBinding) -> None:
        length = self.view.length
        last = max(length(self.frame()) - 1, 0) if length is not None else 0
        self._scroll = min(max(self._scroll + key.scrolls, 0), last)

    def _show_beside(self, steps: int) -> None:
        self.show(self.views.beside(self.view, steps, self.frame().capabilities).name)

    def open_counter(self, name: str) -> None:
        """Show the views of the counter `name`, from wherever the screen is."""
        self._counters.choose(name)
        if self.view.whole_bench:
            self._open()
        else:
            self._begin_with_counter()

    def _open(self) -> None:
        """Leave the bench for the views of the selected counter."""
        self._counters.choose(self._counters.name)
        self._view.open()
        self._begin_with_counter(keep=False)

    def _step(self, steps: int) -> None:
        """Show the counter that is `steps` further on the bench, in the same view."""
        self._counters.step(steps)
        self._begin_with_counter()

    def _begin_with_counter(self, *, keep: bool = True) -> None:
        """Begin with another counter; `keep`: in the present view."""
        if keep:
            self._view.keep(self._handle.snapshot)
        self._scroll = 0
        self._number.clear()
        self._trace = Trace()

    def _touch(self) -> None:
        """Report the tool as lifted if it was on the trimmer, else as put on."""
        on = not tool_on(self.frame())
        self._counter.tool_on = on
        if self._trimmer is not None:
            self._trimmer.rest_tool(self._counters.name, on)
        self._handle.touch(on=on)

    def _stop_checking(self) -> None:
        """End the checks at other dial settings; without one, go back to the bench."""
        if self._counters.choices() and not is_checking(self._handle.snapshot):
            self.show("bench")
        else:
            self._try(lambda: self._handle.check("stop"))

    def _record(self, kind: RecordKind) -> None:
        handle, unit = self._handle, self._counter.axes.unit
        if handle.takes_commands:
            self._try(lambda: handle.record(kind, unit))
