"""The live screen: polls the newest snapshot and draws it, at a fixed rate whatever comes."""

import math
from collections.abc import Callable
from typing import ClassVar

from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType

from benchwatch.errors import INTERRUPTED
from benchwatch.quantity import printable
from benchwatch.screen.frame import Frame
from benchwatch.screen.gallery import view_named
from benchwatch.screen.keys import KEYS
from benchwatch.screen.memory import Ranges
from benchwatch.screen.options import Options
from benchwatch.screen.overlays import Help, Note
from benchwatch.screen.source import Trimmer, Watch
from benchwatch.screen.stage import Stage

DIGITS_EVERY_S, CHARTS_EVERY_S = 0.1, 0.25
FLASH_S = 4.0
SPANS_S = (30.0, 60.0, 120.0, 300.0, 600.0, 1800.0, 3600.0, 14400.0, 86400.0, 604800.0)
FINE_TURNS, COARSE_TURNS = 0.002, 0.02
TRACE_POINTS = 600


class BenchwatchApp(App[None]):
    """The screen over a running watch; `run_screen` runs it and returns the exit code."""

    CSS_PATH = "screen.tcss"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+c", "interrupt", show=False, priority=True),
        *(Binding(",".join(key.keys), key.id, key.short, show=False, id=key.id) for key in KEYS),
    ]

    def __init__(
        self,
        watch: Watch,
        *,
        trimmer: Trimmer | None = None,
        options: Options | None = None,
        every_s: tuple[float, float] | None = (DIGITS_EVERY_S, CHARTS_EVERY_S),
    ) -> None:
        """Take a running `watch`.

        Args:
            watch: Where snapshots come from.
            trimmer: What the turning keys turn; None leaves those keys out.
            options: Look, view and log file.
            every_s: Seconds between redraws of digits and of charts; None: only `redraw`.
        """
        self.options = options or Options()
        super().__init__(ansi_color=not self.options.look.colour)
        self.animation_level = "none"
        self.set_class(not self.options.look.colour, "plain")
        self._source, self._trimmer, self._every_s = watch, trimmer, every_s
        self._view = view_named(self.options.view)
        self._shown = watch.names[0]
        self._ranges = {name: Ranges() for name in watch.names}
        self._span_s = 120.0
        self._tool_on = False
        self._flash, self._flash_until_s = "", -math.inf
        self._trace = watch.trace(self._shown, self._span_s, 0)

    def compose(self) -> ComposeResult:
        """Put up the stage."""
        self.stage = Stage(self.options.look)
        yield self.stage

    def on_mount(self) -> None:
        """Start the two rates."""
        if self._every_s is not None:
            digits_s, charts_s = self._every_s
            self.set_interval(digits_s, self.redraw_digits)
            self.set_interval(charts_s, self.redraw)
        self.call_after_refresh(self.redraw)

    def on_resize(self) -> None:
        """Draw for the new size."""
        self.call_after_refresh(self.redraw)

    @property
    def crash(self) -> str:
        """What broke, in one line; empty while nothing has."""
        error = self._exception
        return "" if error is None else described(error)

    # ---------------------------------------------------------------- drawing

    def redraw_digits(self) -> None:
        """Draw the fast parts from the newest snapshot."""
        self._draw(charts=False)

    def redraw(self) -> None:
        """Draw everything from the newest snapshot."""
        self._trace = self._source.trace(self._shown, self._span_s, TRACE_POINTS)
        self._draw(charts=True)

    def frame(self) -> Frame:
        """Collect what the next picture is drawn from."""
        now_s = self._source.elapsed_s()
        snapshot = self._source.snapshot(self._shown)
        ranges = self._ranges[self._shown]
        ranges.follow(snapshot, self._trace, now_s)
        return Frame(
            snapshot=snapshot,
            now_s=now_s,
            look=self.options.look,
            trace=self._trace,
            names=self._source.names,
            view=self._view.name,
            unit=ranges.unit,
            drift_unit=ranges.drift_unit,
            scale_full=ranges.scale.full,
            window=ranges.window,
            span_s=self._span_s,
            trimmer=self._trimmer is not None,
            tool_on=self._tool_on,
            flash=self._flash if now_s < self._flash_until_s else "",
        )

    def _draw(self, *, charts: bool) -> None:
        if self.stage.size.area:
            self.stage.show(self._view, self.frame(), charts=charts)

    def say(self, text: str) -> None:
        """Show a sentence for a moment."""
        self._flash, self._flash_until_s = text, self._source.elapsed_s() + FLASH_S
        self.redraw()

    # ---------------------------------------------------------------- keys

    def action_interrupt(self) -> None:
        """Ctrl-C: end as any interrupted command does."""
        self.exit(return_code=INTERRUPTED)

    def action_leave(self) -> None:
        """End the watch."""
        self.exit()

    def action_explain(self) -> None:
        """Show the help of this view."""
        self.push_screen(Help(self._view, self.options.look, self.frame().have))

    def action_note(self) -> None:
        """Ask for a note and put it on the time line."""
        prompt = "Note for the time line (Enter keeps it, Esc doesn't)"
        self.push_screen(Note(self.options.look, prompt), self._noted)

    def _noted(self, text: str | None) -> None:
        if text is not None:
            self._source.mark(text.strip() or "mark")
            self.say(f"marked: {printable(text.strip() or 'mark')}")

    def action_shorter(self) -> None:
        """Show a shorter time on the chart."""
        self._zoom(-1)

    def action_longer(self) -> None:
        """Show a longer time on the chart."""
        self._zoom(1)

    def _zoom(self, step: int) -> None:
        place = SPANS_S.index(self._span_s) + step
        self._span_s = SPANS_S[min(max(place, 0), len(SPANS_S) - 1)]
        self.redraw()

    def action_next_counter(self) -> None:
        """Look at the next counter."""
        names = list(self._source.names)
        self._shown = names[(names.index(self._shown) + 1) % len(names)]
        self.redraw()

    def action_fine_up(self) -> None:
        """Turn the trimmer a little; the frequency goes up."""
        self._with_trimmer(lambda trimmer: trimmer.turn(FINE_TURNS))

    def action_fine_down(self) -> None:
        """Turn the trimmer a little; the frequency goes down."""
        self._with_trimmer(lambda trimmer: trimmer.turn(-FINE_TURNS))

    def action_coarse_up(self) -> None:
        """Turn the trimmer far; the frequency goes up."""
        self._with_trimmer(lambda trimmer: trimmer.turn(COARSE_TURNS))

    def action_coarse_down(self) -> None:
        """Turn the trimmer far; the frequency goes down."""
        self._with_trimmer(lambda trimmer: trimmer.turn(-COARSE_TURNS))

    def action_tool(self) -> None:
        """Rest the tool on the trimmer, or lift it."""
        if self._trimmer is not None:
            self._tool_on = not self._tool_on
            self._with_trimmer(lambda trimmer: trimmer.rest_tool(self._tool_on))

    def _with_trimmer(self, act: Callable[[Trimmer], None]) -> None:
        if self._trimmer is not None and self._view.name == "trim":
            act(self._trimmer)
            self.redraw()


def described(error: BaseException) -> str:
    """Name an error in one line of harmless text."""
    text = printable(" ".join(str(error).split()), 200)
    return f"{type(error).__name__}: {text}" if text else type(error).__name__
