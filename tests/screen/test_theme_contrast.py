"""What is drawn has contrast in both themes, on the views and on the boxes over them."""

import bench_kit
import pytest
import screen_kit as kit
from rich.color import Color
from textual.geometry import Region

from benchwatch.counter import LinkStatus
from benchwatch.screen.app import BenchwatchApp
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.views.view_list import VIEWS

STALE = kit.full_snapshot(link=LinkStatus("silent", kit.NOW_S - 8.0, "no reading for 8 s"))
WATCHES = {
    "one": lambda: kit.FakeWatch(kit.full_snapshot()),
    "stale": lambda: kit.FakeWatch(STALE),
    "bench": lambda: kit.FakeWatch(*bench_kit.every_state()),
}
LEAST = 4.5
"""Level AA of WCAG 2.1, success criterion 1.4.3, for text of any size."""


def _luminance(colour: Color) -> float:
    """Return the relative luminance as WCAG 2.1 defines it (www.w3.org/TR/WCAG21)."""
    parts = [part / 255 for part in colour.get_truecolor()]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _too_faint(app: BenchwatchApp, inside: Region) -> list[tuple[str, str, str]]:
    """Return the texts within a region whose contrast is too small, with both of their colours."""
    found = []
    for y, strip in enumerate(app.screen._compositor.render_strips()):
        x = 0
        for segment in strip:
            style, begins_at = segment.style, x
            x += segment.cell_length
            if not segment.text.strip() or not inside.contains(begins_at, y):
                continue
            assert style is not None
            assert style.color is not None
            assert style.bgcolor is not None
            assert not style.dim
            dark, light = sorted(map(_luminance, (style.color, style.bgcolor)))
            if (light + 0.05) / (dark + 0.05) < LEAST:
                found.append((segment.text, style.color.name, style.bgcolor.name))
    return found


@pytest.mark.parametrize("word", ["dark", "light"])
@pytest.mark.parametrize("watch", WATCHES)
async def test_every_view_has_contrast(word, watch):
    """All rows of all views, with readings, without, and of a bench in every state."""
    options = DisplayOptions(theme=Theme(word=word), state=None, view="trim")
    app = BenchwatchApp(WATCHES[watch](), options=options, every_s=None)
    async with app.run_test(size=(120, 36)) as pilot:
        for view in VIEWS.views:
            app.screen_state.show(view.name)
            app.redraw()
            await pilot.pause()

            assert app.screen_state.view.name == view.name or view.whole_bench
            assert _too_faint(app, app.screen.region) == []


@pytest.mark.parametrize("word", ["dark", "light"])
@pytest.mark.parametrize("key", ["question_mark", "h", "b", "colon"])
async def test_every_box_has_contrast(word, key):
    """Help, keys, records and the command line; the view behind a box is inactive, and faded."""
    options = DisplayOptions(theme=Theme(word=word), state=None, view="trim")
    watch = kit.FakeWatch(kit.full_snapshot())
    app = BenchwatchApp(watch, options=options, every_s=None)
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.press(key)
        await pilot.pause()
        box = app.screen.children[0].region

        assert 40 < box.width < 120
        assert _too_faint(app, box) == []
