"""The pictures of the screen: one watch is played from power-on to the record as left."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from gallery_watch import GalleryWatch, gallery_watch
from screen_svg import screen_svg

from benchwatch.colours import ThemeWord, palette_of
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.preferences import Preferences
from benchwatch.screen.screen_state import ScreenState
from benchwatch.screen.view import picture
from benchwatch.screen.views.view_list import VIEWS

SMALL, LARGE = (80, 24), (120, 36)
FRAME_EVERY_S: Final = 2.0
"""Time between two frames that the screen makes; it needs them to hold its axes still."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreenPicture:
    """A picture of the screen."""

    name: str
    """Of its file, without the ending."""
    view: str
    says: str
    """What it shows, in a sentence."""
    size: tuple[int, int] = SMALL
    theme: ThemeWord = "dark"


WARMING = (
    ScreenPicture(
        name="warm-up",
        view="warm_up",
        says="Thirteen minutes after power-on: how long until the oven has settled, and the limits "
        "of that.",
    ),
)
SETTLED = (
    ScreenPicture(
        name="stability",
        view="stability",
        says="Settled: the dither, and the deviation over the averaging time with its limits.",
    ),
)
BETWEEN_TURNS = (
    ScreenPicture(
        name="trim",
        view="trim",
        says="Between two turns, hands off: how far, which way, how much more of the usual nudge.",
    ),
    ScreenPicture(
        name="trim-light", view="trim", theme="light", says="The same in the light theme."
    ),
)
TOOL_ON = (
    ScreenPicture(
        name="tool-on",
        view="trim",
        size=LARGE,
        says="The tool is on the trimmer, at 120 columns: the way left to the aim is large, and V "
        "is where to stop, because tool and hand pull by 2 ppb.",
    ),
    ScreenPicture(
        name="fill",
        view="fill",
        says="The same moment with figures that fill the screen, to be read from two metres.",
    ),
)
AS_LEFT = (
    ScreenPicture(
        name="landed",
        view="trim",
        says="Landed: inside the tolerance with its uncertainty, hands off, and on record as left.",
    ),
    ScreenPicture(
        name="bench",
        view="bench",
        says="All counters, the one that needs somebody at the top; the selected one below.",
    ),
    ScreenPicture(
        name="bench-light",
        view="bench",
        size=LARGE,
        theme="light",
        says="The same at 120 columns in the light theme.",
    ),
    ScreenPicture(
        name="elsewhere",
        view="elsewhere",
        says="What the offset becomes at other frequencies, and for a clock.",
    ),
    ScreenPicture(
        name="notes",
        view="notes",
        says="What happened, with its time: records, nudges, the pull of the tool, cautions.",
    ),
    ScreenPicture(
        name="chain",
        view="chain",
        says="Two counters on one signal: whether they agree, and whose time base is off by how "
        "much.",
    ),
)
PICTURES: Final = (*WARMING, *SETTLED, *BETWEEN_TURNS, *TOOL_ON, *AS_LEFT)
"""All of them, in the order of the visit."""


class _Operator:
    """A person at the screen, who trims the first unit by it."""

    def __init__(self, watch: GalleryWatch) -> None:
        self.watch = watch
        options = DisplayOptions(theme=Theme(), state=None, view="trim")
        self._screen = ScreenState(watch.run, None, options, Preferences())
        self._screen.open_counter("ten")

    def wait(self, seconds: float) -> None:
        """Let time pass, with the screen in view."""
        end_s = self.watch.run.elapsed_s() + seconds
        while (now_s := self.watch.run.elapsed_s()) < end_s:
            self.watch.until(min(now_s + FRAME_EVERY_S, end_s))
            self._screen.fetch_history(SMALL[0])
            self._screen.frame()

    def touch(self, turns: float, *, rests_s: float = 10.0, waits_s: float) -> None:
        """Put the tool on, turn, and wait without lifting it."""
        self.watch.touch(on=True)
        self.wait(rests_s)
        self.watch.turn(turns)
        self.wait(waits_s)

    def lift(self, *, waits_s: float) -> None:
        """Lift the tool, and wait."""
        self.watch.touch(on=False)
        self.wait(waits_s)

    def draw(self, asked: ScreenPicture) -> str:
        """Return a picture of now."""
        screen, view = self._screen, VIEWS.named(asked.view)
        screen.open_counter("ten")
        screen.show(view.name)
        screen.fetch_history(asked.size[0])
        rows = picture(view, screen.frame(), *asked.size)
        palette = palette_of(asked.theme)
        assert palette is not None, "pictures are drawn in our own colours"
        screen.show("trim")
        return screen_svg(rows, Theme(word=asked.theme), palette, asked.says)


def screen_pictures(folder: Path) -> Iterator[tuple[str, str]]:
    """Play the watch, and yield the name and the SVG of each picture.

    Args:
        folder: where journal and register of the watch are written.
    """
    with gallery_watch(folder) as watch:
        operator = _Operator(watch)

        def drawn(pictures: tuple[ScreenPicture, ...]) -> Iterator[tuple[str, str]]:
            watch.refresh()
            return ((one.name, operator.draw(one)) for one in pictures)

        operator.wait(780.0)
        yield from drawn(WARMING)
        operator.wait(1020.0)
        yield from drawn(SETTLED)
        operator.touch(-0.42, waits_s=20.0)
        operator.lift(waits_s=25.0)
        operator.touch(-0.25, waits_s=15.0)
        operator.lift(waits_s=30.0)
        yield from drawn(BETWEEN_TURNS)
        watch.run.chain.prove(("ten", "spare"))
        operator.touch(-0.05, waits_s=20.0)
        yield from drawn(TOOL_ON)
        watch.turn(-0.023)
        operator.wait(12.0)
        operator.lift(waits_s=75.0)
        watch.ten.record("as left")
        operator.wait(10.0)
        yield from drawn(AS_LEFT)
        watch.ten.change_visit("note", "seal renewed, cover back on")
        watch.ten.change_visit("close visit", "")


def draw_screen(visit: Path, out: Path | None) -> None:
    """Play the watch, with its journal and register in `visit`, and write the pictures to `out`.

    Args:
        visit: an empty folder.
        out: the folder of the pictures; None: only the visit is wanted.
    """
    for name, svg in screen_pictures(visit):
        if out is not None:
            (out / f"{name}.svg").write_text(svg, encoding="utf-8", newline="\n")
