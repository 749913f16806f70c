"""Taps on the page: every word of the footer, the tabs, and the overlays."""

import pytest
import screen_kit as kit

from benchwatch.screen.app import BenchwatchApp
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.panels.shared_rows import key_lines, tabs_line
from benchwatch.screen.views.view_list import VIEWS
from benchwatch.screen.widgets.overlays import TextOverlay
from benchwatch.screen.widgets.tap_targets import key_at, tab_at
from benchwatch.screen.widgets.typing_overlays import CommandOverlay, PromptOverlay

SIZE = (80, 24)


def cells_of(made, width=120):
    """Return for each cell of the footer the key of a tap there."""
    for row in key_lines(made, width, 9):
        for cell in range(width):
            yield row.plain, cell, key_at(row, cell, made)


@pytest.mark.parametrize("view", ["trim", "fill", "warm_up", "stability", "notes"])
@pytest.mark.parametrize("width", [60, 80, 120])
def test_every_key_of_the_footer_can_be_tapped(view, width):
    """Both sides of a pair, at any width; between the words there is no key."""
    shown = kit.full_snapshot()
    made = kit.frame(shown, view=view, trimmer=True, operator=True, names=("main", "spare"))
    named = [key for key in made.keys if key.footer and not key.footer_label]
    pairs = [VIEWS.keys[VIEWS.keys.index(key) + 1] for key in named if "/" in key.label]
    tapped = {key for _, _, key in cells_of(made, width)}

    assert {key.id for key in (*named, *pairs)} <= tapped
    assert None in tapped


def test_the_left_half_of_a_pair_is_its_first_key():
    """Left lowers, Right raises: mixing them up would turn the trimmer the wrong way."""
    made = kit.frame(kit.full_snapshot(), trimmer=True, operator=True)
    found = {key: [] for key in ("fine_down", "fine_up", "coarse_down", "coarse_up")}
    for row, cell, key in cells_of(made):
        if key in found:
            found[key].append((row, cell))
    row, first = found["fine_down"][0]

    assert row[first : first + 4] == "Left"
    assert max(found["fine_down"]) < min(found["fine_up"])
    assert max(found["coarse_down"]) < min(found["coarse_up"])


def test_the_tabs_can_be_tapped():
    """Each is its number; what stands beside them is no key."""
    made = kit.frame()
    (row,) = tabs_line(made, 120, 1)

    assert tab_at(row, row.plain.index("Warm-up") + 2, made.tabs) == "view_warm_up"
    assert tab_at(row, row.plain.index("5 Notes"), made.tabs) == "view_notes"
    assert tab_at(row, 90, made.tabs) is None
    assert tab_at(row, row.plain.index("0:12:34"), made.tabs) is None


def where(app, word):
    """Find a word in the view or on its overlay."""
    sheets = (
        [app.view_widget]
        if app.screen is app.view_widget.screen
        else list(app.screen.query("TextWidget"))
    )
    for sheet in sheets:
        for y, row in enumerate(sheet.lines):
            if word in row.plain:
                return sheet, (row.plain.index(word), y)
    raise AssertionError(f"'{word}' is not there")


async def tap(pilot, word):
    """Tap on a word."""
    sheet, place = where(pilot.app, word)
    await pilot.click(sheet, offset=place)
    await pilot.pause()


def made_app(watch=None, operator=None, **changes):
    """Return an app that redraws only on request."""
    options = DisplayOptions(theme=Theme(), state=None)
    shown = watch or kit.FakeWatch(kit.full_snapshot())
    shown.operator = operator
    return BenchwatchApp(shown, options=options, every_s=None, **changes)


async def test_a_whole_trim_can_be_done_by_tapping():
    """Tool, turn, as found, a view and back, a mark, a page of text."""
    watch, trimmer, operator = (
        kit.FakeWatch(kit.full_snapshot()),
        kit.FakeTrimmer(),
        kit.FakeOperator(),
    )
    app = made_app(watch, trimmer=trimmer, operator=operator)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        await tap(pilot, "Space tool")
        await tap(pilot, "Left/Right")
        await tap(pilot, "Right turn")
        await tap(pilot, "a as found")
        await tap(pilot, " 5 ")
        notes = app.screen_state.view.name
        await tap(pilot, "1-6")
        await tap(pilot, "m mark")
        asked = type(app.screen)
        await tap(pilot, "Enter confirms")
        await tap(pilot, "b records")
        page = type(app.screen)
        await tap(pilot, "Esc closes")

        assert app.screen is app.view_widget.screen

    assert trimmer.tool == [("main", True)]
    assert len(trimmer.turns) == 2
    assert trimmer.turns[0][1] < 0 < trimmer.turns[1][1]
    assert ("record", "main", "as found") in operator.calls
    assert notes == "notes"
    assert watch.marks == [""]
    assert (asked, page) == (PromptOverlay, TextOverlay)


async def test_an_offer_of_the_command_line_is_done_by_a_tap():
    """A tap on a suggestion runs it; a tap beside the box cancels."""
    app = made_app(operator=kit.FakeOperator())
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        await tap(pilot, ": command")
        await pilot.press(*"notes")
        await pilot.pause()
        await tap(pilot, "Show the notes")
        view, over = app.screen_state.view.name, app.screen is not app.view_widget.screen
        await tap(pilot, ": command")
        opened = isinstance(app.screen, CommandOverlay)
        await pilot.click(app.screen, offset=(1, 1))
        await pilot.pause()

        assert app.screen is app.view_widget.screen

    assert view == "notes"
    assert not over
    assert opened


async def test_a_recording_is_played_by_tapping():
    """Back and ahead, slower and faster, by the sides of the pairs."""
    playback = kit.FakeTransport()
    app = made_app(playback=playback)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        for word in ("Space pause", "Left/Right", "Right 10 s", "Down/Up", "Up speed"):
            await tap(pilot, word)

    assert playback.calls == ["pause", ("seek", 90.0), ("seek", 110.0), ("speed", -1), ("speed", 1)]


async def test_a_tap_on_nothing_does_nothing():
    """The digits, the scale and the chart are no buttons."""
    trimmer = kit.FakeTrimmer()
    app = made_app(trimmer=trimmer)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        for y in range(1, 20):
            await pilot.click(app.view_widget, offset=(40, y))

        assert app.screen is app.view_widget.screen

    assert not trimmer.turns
