"""The state behind the picture: which counter and view, what was chosen, what keys do to it."""

import math
import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

from benchwatch.errors import BenchwatchError
from benchwatch.pipeline.cautions import cautions_of
from benchwatch.quantity import OFFSET_UNITS, format_duration, printable, write_fraction
from benchwatch.reading import AS_FOUND, AS_LEFT, RecordKind
from benchwatch.screen.axis_state import AxisState
from benchwatch.screen.command_line import SettingCommand
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.frame import Frame, View
from benchwatch.screen.key_bindings import keys_for
from benchwatch.screen.panels.status_text import tool_on
from benchwatch.screen.preferences import SPANS_S, Preferences
from benchwatch.screen.views.notes_view import SCROLL_ROWS, logged_events
from benchwatch.screen.views.stability_view import kinds
from benchwatch.screen.views.view_list import NUMBERED, view_named
from benchwatch.screen.watch_source import (
    CounterHandle,
    PlaybackControl,
    SoundOutput,
    TrimmerControl,
    WatchSource,
)
from benchwatch.snapshot import Records, Trace

if TYPE_CHECKING:
    from benchwatch.counter import LinkStatus
    from benchwatch.estimate.uncertainty.offset_record import OffsetRecord

FLASH_S, LETTER_S = 4.0, 0.05
"""How long a sentence stays, and how long for each of its letters if that is more."""
SEEK_S, SEEK_SHARE = 10.0, 0.05
FINE_TURNS, COARSE_TURNS = 0.01, 0.1
POINTS_A_CELL = 6
"""Two columns of dots a cell, and for each its lowest and highest value and room for a gap."""


class ScreenState:
    """Everything of the screen that needs no terminal.

    Args:
        watch: where snapshots come from and commands go.
        trimmer: what the turning keys turn, if there is one.
        options: look and files.
        preferences: what was chosen last time.
        playback: what plays the recording, if the watch is one.
        sound: what makes it heard, if anything does.
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
        # The time of a recording stops, jumps and runs fast: a sentence is read in real time.
        self._reading_time_s = watch.elapsed_s if playback is None else time.monotonic
        self._theme, self.preferences = options.theme, preferences
        self._counter = watch.names[0]
        self._ranges: defaultdict[str, AxisState] = defaultdict(AxisState)
        self._tool: defaultdict[str, bool] = defaultdict(bool)
        self._scroll = 0
        self._message, self._flash_until_s = "", -math.inf
        self._known: dict[str, tuple[LinkStatus, float | None]] = {}
        """Link and gate of each counter, as they were told last."""
        self._kept: dict[str, OffsetRecord | None] = {}
        """What was kept as found by itself, of each counter, as it was told last."""
        self._gate_asked: defaultdict[str, bool] = defaultdict(bool)
        self._trace, self._span_s = Trace(), preferences.span_s
        self._acts: dict[str, Callable[[], None]] = {
            "fill": lambda: self.show("trim" if self.view.name == "fill" else "fill"),
            "shorter": lambda: self._zoom(-1),
            "longer": lambda: self._zoom(1),
            "unit": self._next_unit,
            "time_axis": lambda: self._wish(log_time=not self.preferences.log_time),
            "close": lambda: self._wish(close=not self.preferences.close),
            "drift_out": lambda: self._wish(without_drift=not self.preferences.without_drift),
            "whole_run": lambda: self._wish(whole_run=not self.preferences.whole_run),
            "kind": self._next_kind,
            "newer": lambda: self._scroll_by(-SCROLL_ROWS),
            "older": lambda: self._scroll_by(SCROLL_ROWS),
            "next_counter": self._next_counter,
            "fine_up": lambda: self._turn(FINE_TURNS),
            "fine_down": lambda: self._turn(-FINE_TURNS),
            "coarse_up": lambda: self._turn(COARSE_TURNS),
            "coarse_down": lambda: self._turn(-COARSE_TURNS),
            "tool": self._touch,
            "found": lambda: self._record(AS_FOUND),
            "left": lambda: self._record(AS_LEFT),
        }
        if playback is not None:
            self._acts |= _playing_acts(playback)
        if sound is not None:
            self._acts |= {
                "mute": lambda: self.show_message(sound.mute()),
                "louder": lambda: self.show_message(sound.louder(1)),
                "quieter": lambda: self.show_message(sound.louder(-1)),
            }
        for number, view in enumerate(NUMBERED, 1):
            self._acts[f"view_{number}"] = lambda name=view.name: self.show(name)  # type: ignore[misc] # the default binds this turn's name

    @property
    def view(self) -> View:
        """The view on the screen."""
        return view_named(self.preferences.view)

    @property
    def _handle(self) -> CounterHandle:
        """The counter that is shown."""
        return self._watch.counter(self._counter)

    def look_back(self, width: int) -> None:
        """Fetch the past for charts of `width` cells."""
        now_s, self._span_s = self._watch.elapsed_s(), self.preferences.span_s
        warm_up = self._handle.snapshot.warm_up
        if self.view.name == "warm_up":
            self._span_s = now_s - (warm_up.since_s if warm_up is not None else 0.0)
        self._trace = self._handle.trace(self._span_s, POINTS_A_CELL * width)

    def frame(self) -> Frame:
        """Collect what the next picture is drawn from."""
        now_s, view = self._watch.elapsed_s(), self.view.name
        for name in self._watch.names:
            self._listen(name)
        handle, ranges = self._handle, self._ranges[self._counter]
        snapshot = handle.snapshot
        ranges.follow(snapshot, now_s, self.preferences.unit)
        return Frame(
            snapshot=snapshot,
            now_s=now_s,
            theme=self._theme,
            trace=self._trace,
            names=self._watch.names,
            missing=[
                (name, link.state)
                for name, (link, _) in self._known.items()
                if name != self._counter and link.state != "reading"
            ],
            view=view,
            unit=ranges.unit,
            drift_unit=ranges.drift_unit,
            hertz_format=ranges.hertz_format,
            fraction_format=ranges.fraction_format,
            scale_full=ranges.scale.full,
            window=ranges.window(
                view,
                snapshot,
                self._trace,
                now_s,
                whole=view == "warm_up" and not self.preferences.close,
            ),
            span_s=self._span_s,
            trimmer=self._trimmer is not None,
            operator=handle.takes_commands,
            tool_on=self._tool[self._counter],
            playing=None if self._playback is None else self._playback.playing,
            sound=self._sound is not None,
            preferences=self.preferences,
            scroll=self._scroll,
            message=self._message if self._reading_time_s() < self._flash_until_s else "",
        )

    def can(self, key: str) -> bool:
        """Tell whether the key with this id does something here and now."""
        capabilities = self.frame().capabilities
        return any(one.id == key for one in keys_for(self.view.name, capabilities))

    def press(self, key: str) -> None:
        """Do what the key with this id does."""
        act = self._acts.get(key)
        if act is not None and self.can(key):
            act()

    def show(self, view: str) -> None:
        """Go to the view called `view`."""
        self._scroll = 0
        self._wish(view=view)

    def show_message(self, text: str) -> None:
        """Show a sentence for a moment."""
        stays_s = max(FLASH_S, LETTER_S * len(text))
        self._message, self._flash_until_s = text, self._reading_time_s() + stays_s

    def mark(self, text: str) -> None:
        """Put a note on the time line; empty text marks the moment."""
        text = text.strip() or "mark"
        self._watch.mark(text)
        self.show_message(f"marked: {printable(text)}")

    def change(self, command: SettingCommand) -> None:
        """Change a setting, and say what holds now or why not."""
        handle = self._handle
        if handle.takes_commands:
            self._try(lambda: handle.change(command.setting, command.text))
            self._gate_asked[self._counter] |= command.setting == "gate"

    def _listen(self, name: str) -> None:
        """Say what a counter that reads has answered: a refusal, or the gate as it is now."""
        now = self._watch.counter(name).snapshot
        self._tell_kept(name, now.records)
        link, gate_s = now.link, now.gate_s
        before, self._known[name] = self._known.get(name), (link, gate_s)
        if before is None or before[0].state != "reading" or link.state != "reading":
            return
        answered = link is not before[0]
        whose = f"{name}: " if len(self._known) > 1 else ""
        if answered and link.detail:
            self.show_message(f"{whose}{link.detail}")
        elif gate_s != before[1] or (answered and self._gate_asked[name]):
            gate = "unknown" if gate_s is None else format_duration(gate_s)
            self.show_message(f"{whose}the gate is now {gate}, read back from the counter")
        if answered:
            self._gate_asked[name] = False

    def _tell_kept(self, name: str, records: Records | None) -> None:
        """Say at once that as found was kept by itself, when something speaks against it."""
        kept = records.as_found if records is not None and records.as_found_kept else None
        before, self._kept[name] = self._kept.get(name), kept
        if kept is None or kept is before or not cautions_of(kept):
            return
        whose = f"{name}: " if len(self._watch.names) > 1 else ""
        offset = write_fraction(kept.offset, kept.u, self._ranges[name].unit)
        self.show_message(f"{whose}as found kept by itself, {offset}; caution: {cautions_of(kept)}")

    # ---------------------------------------------------------------- what keys do

    def _try(self, act: Callable[[], str]) -> None:
        try:
            self.show_message(act())
        except BenchwatchError as error:
            self.show_message(str(error))

    def _wish(self, **changes: object) -> None:
        self.preferences = replace(self.preferences, **changes)  # type: ignore[arg-type] # fields by name

    def _zoom(self, step: int) -> None:
        place = SPANS_S.index(self.preferences.span_s) + step
        self._wish(span_s=SPANS_S[min(max(place, 0), len(SPANS_S) - 1)])

    def _next_unit(self) -> None:
        names = ["", *(unit.name for unit in OFFSET_UNITS)]
        here = names.index(self.preferences.unit) if self.preferences.unit in names else 0
        self._wish(unit=names[(here + 1) % len(names)])
        self.show_message(f"fractions in {self.preferences.unit or 'the unit that fits'}")

    def _next_kind(self) -> None:
        stability = self._handle.snapshot.stability
        names = kinds(stability.deviations) if stability is not None else []
        if names:
            here = (
                names.index(self.preferences.deviation)
                if self.preferences.deviation in names
                else -1
            )
            self._wish(deviation=names[(here + 1) % len(names)])

    def _scroll_by(self, rows: int) -> None:
        last = max(len(logged_events(self.frame())) - 1, 0)
        self._scroll = min(max(self._scroll + rows, 0), last)

    def _next_counter(self) -> None:
        names = list(self._watch.names)
        self._counter = names[(names.index(self._counter) + 1) % len(names)]
        self._scroll = 0

    def _turn(self, amount: float) -> None:
        if self._trimmer is not None:
            self._trimmer.turn(amount)

    def _touch(self) -> None:
        on = not tool_on(self.frame())
        self._tool[self._counter] = on
        if self._trimmer is not None:
            self._trimmer.rest_tool(on)
        self._handle.touch(on=on)

    def _record(self, kind: "RecordKind") -> None:
        handle, unit = self._handle, self._ranges[self._counter].unit
        if handle.takes_commands:
            self._try(lambda: handle.record(kind, unit))


def _playing_acts(playback: PlaybackControl) -> dict[str, Callable[[], None]]:
    """Return what the keys of a player do."""

    def seek(by_s: float = 0.0, share: float = 0.0) -> None:
        now = playback.playing
        playback.seek(now.at_s + by_s + share * now.length_s)

    def to_end() -> None:
        now = playback.playing
        playback.seek(math.inf if now.length == "so far" else now.length_s)

    return {
        "pause": playback.pause,
        "back": lambda: seek(-SEEK_S),
        "ahead": lambda: seek(SEEK_S),
        "far_back": lambda: seek(share=-SEEK_SHARE),
        "far_ahead": lambda: seek(share=SEEK_SHARE),
        "to_begin": lambda: playback.seek(0.0),
        "to_end": to_end,
        "slower": lambda: playback.faster(-1),
        "faster": lambda: playback.faster(1),
    }
