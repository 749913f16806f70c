"""The view follows the state of the oscillator until the operator chooses one."""

from dataclasses import replace

import pytest
import screen_kit as kit

from benchwatch.estimate.results import Numbers, Settle, SettleHistory
from benchwatch.estimate.trim.tool_pull import ToolState
from benchwatch.screen.app import BenchwatchApp
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.preferences import Preferences
from benchwatch.screen.screen_state import ScreenState
from benchwatch.screen.shown_view import ShownView
from benchwatch.snapshot import Records, Snapshot

WARMING = Settle("warming", None, 420.0)
SETTLED = Settle("settled", kit.NOW_S - 9.0, None)
AGAIN = Settle("warming", None, 40.0, held=SettleHistory(600.0, 100.0, 1e-10, 650.0, 0, 0.0))
UNSURE = Settle("unsure", None, None)


def _snapshot(settle: Settle | None, **trim: object) -> Snapshot:
    numbers = kit.numbers(settle=settle, last_nudge=None)
    now = replace(kit.trim_now(turn=None, tool=ToolState()), **trim)  # type: ignore[arg-type]
    return kit.full_snapshot(numbers=numbers, trim=now)


def _followed(*states: Snapshot, name: str = "") -> list[str]:
    """Return the name of the view after each state."""
    shown = ShownView(name)
    names = []
    for state in states:
        shown.follow(state)
        names.append(shown.view.name)
    return names


def test_the_first_view_is_the_trim():
    """Before the first reading nothing is known."""
    nothing = kit.snapshot(reading=None, numbers=Numbers())

    assert _followed(nothing) == ["trim"]


def test_the_view_goes_to_warm_up_and_back_once_settled():
    """An unsure verdict changes nothing."""
    states = [_snapshot(settle) for settle in (UNSURE, WARMING, UNSURE, SETTLED, UNSURE)]

    assert _followed(*states) == ["trim", "warm_up", "warm_up", "trim", "trim"]


def test_without_a_settle_limit_the_trim_stays():
    """There is no verdict to follow."""
    assert _followed(_snapshot(None)) == ["trim"]


def test_what_moves_after_it_has_settled_is_no_warm_up():
    """A lid lifted or a cycle of the oven does not take the trim away."""
    assert _followed(_snapshot(SETTLED), _snapshot(AGAIN)) == ["trim", "trim"]


def test_the_tool_brings_the_trim():
    """Also while it is still warming; it stays when the tool is lifted."""
    warming = _snapshot(WARMING)
    touched = _snapshot(WARMING, tool=ToolState(on=True, since_s=1.0))
    lifted = _snapshot(WARMING, tool=ToolState(on=False, since_s=4.0))

    assert _followed(warming, touched, lifted) == ["warm_up", "trim", "trim"]


def test_a_turn_brings_the_trim_once_as_found_is_on_record():
    """A turn creeps, which is no warm-up."""
    turned = _snapshot(WARMING, turn=kit.numbers().last_nudge)
    unrecorded = replace(turned, records=Records())

    assert _followed(unrecorded, turned) == ["warm_up", "trim"]


def test_a_typed_view_follows_nothing():
    """With --view the screen stays on it."""
    states = (_snapshot(WARMING), _snapshot(SETTLED))

    assert _followed(*states, name="notes") == ["notes", "notes"]


def _screen(watch: kit.FakeWatch) -> ScreenState:
    return ScreenState(watch, None, DisplayOptions(state=None), Preferences())


def test_a_change_of_the_view_is_said_with_the_key_that_leads_back():
    """One line of a small screen, for its time."""
    watch = kit.FakeWatch(_snapshot(WARMING))
    screen = _screen(watch)
    screen.fetch_history(80)
    warming = screen.frame().message
    watch.shown["main"] = _snapshot(SETTLED)
    screen.fetch_history(80)
    settled = screen.frame().message

    assert warming == "warming up: Warm-up until it has settled; 1 shows Trim"
    assert settled == "settled: Trim; 2 shows Warm-up"


@pytest.mark.parametrize("keys", [("5",), ("f",), ("colon", "escape"), ("h", "3")])
async def test_after_a_key_of_the_operator_the_view_stays(keys: tuple[str, ...]):
    """A view's key, also on a page of help, and the command line; live as in a replay."""
    watch = kit.FakeWatch(_snapshot(SETTLED))
    options = DisplayOptions(theme=Theme(), state=None)
    app = BenchwatchApp(watch, options=options, every_s=None)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(*keys)
        await pilot.pause()
        chosen = app.screen_state.view.name
        watch.shown["main"] = _snapshot(WARMING)
        app.redraw()

        assert app.screen_state.view.name == chosen


async def test_other_keys_leave_the_view_to_the_state():
    """Zoom, unit, marks and pages of text choose no view."""
    watch = kit.FakeWatch(_snapshot(SETTLED))
    options = DisplayOptions(theme=Theme(), state=None)
    app = BenchwatchApp(watch, options=options, every_s=None)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("z", "u", "m", "escape", "h", "q")
        watch.shown["main"] = _snapshot(WARMING)
        app.redraw()

        assert app.screen_state.view.name == "warm_up"
