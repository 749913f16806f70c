"""Changes of the visit on the command line of the screen, and the question about the power."""

from typing import get_args

import pytest
import screen_kit as kit

from benchwatch.plan import VISIT_ACTIONS, VISIT_FORMS, VisitChange
from benchwatch.screen.app import BenchwatchApp
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.typed_commands import VisitCommand, suggestions
from benchwatch.screen.views.view_list import VIEWS
from benchwatch.screen.widgets.typing_overlays import PromptOverlay
from benchwatch.snapshot import VisitNow

TRIM = next(view for view in VIEWS.tabs if view.name == "trim")


def listed(typed: str, *available: str) -> list[object]:
    """Return the commands that are suggested for what was typed."""
    capabilities = available or ("operator",)
    return [one.command for one in suggestions(typed, VIEWS, TRIM, capabilities)]  # type: ignore[arg-type] # capabilities


@pytest.mark.parametrize("change", get_args(VisitChange))
def test_every_change_can_be_typed_in_full(change: VisitChange):
    """It is the first of the list, so that Enter runs it."""
    takes_text = change in VISIT_FORMS
    first = listed(f"{change} room 21.5 C" if takes_text else change)[0]

    assert first == VisitCommand(change, "room 21.5 C" if takes_text else "")


@pytest.mark.parametrize(
    ("typed", "command"),
    [
        ("not lid on", VisitCommand("note", "lid on")),
        ("u 0417", VisitCommand("unit", "0417")),
        ("cond room 21.5 C", VisitCommand("condition", "room 21.5 C")),
        ("new u 0417", VisitCommand("new unit", "0417")),
        ("cl", VisitCommand("close visit")),
        ("UNIT AB-7", VisitCommand("unit", "AB-7")),
        ("sw", VisitCommand("switched off")),
    ],
)
def test_words_may_be_shortened(typed: str, command: VisitCommand):
    """The first suggestion is meant; the text keeps its capitals."""
    assert listed(typed)[0] == command


@pytest.mark.parametrize("change", VISIT_FORMS)
def test_without_a_text_the_form_is_shown(change: VisitChange):
    """And nothing is run."""
    shown = suggestions(change, VIEWS, TRIM, ("operator",))

    assert [one.text for one in shown if one.name == change] == [VISIT_FORMS[change]]
    assert not [one for one in shown if one.name == change and one.command is not None]


@pytest.mark.parametrize("typed", [*VISIT_FORMS, *VISIT_ACTIONS, "note x"])
def test_a_recording_has_no_visit_to_change(typed: str):
    """Without an operator nothing of it is listed."""
    assert not [one for one in listed(typed, "playback") if isinstance(one, VisitCommand)]


def asking(*, asks: bool, operator: bool = True) -> tuple[BenchwatchApp, kit.FakeWatch]:
    """Return an app whose visit goes on after a pause."""
    visit = VisitNow(unit="0417", number=12, asks_power=asks)
    watch = kit.FakeWatch(
        kit.snapshot(visit=visit), operator=kit.FakeOperator() if operator else None
    )
    options = DisplayOptions(theme=Theme(), view="trim")
    return BenchwatchApp(watch, options=options, every_s=None), watch


@pytest.mark.parametrize(
    ("answer", "changes"),
    [
        (("y", "enter"), [("switched off", "")]),
        (("Y", "e", "s", "enter"), [("switched off", "")]),
        (("n", "enter"), [("stayed on", "")]),
        (("n", "o", "enter"), [("stayed on", "")]),
        (("enter",), []),
        (("escape",), []),
        (("x", "enter"), []),
    ],
)
async def test_the_power_is_asked_about_once(
    answer: tuple[str, ...], changes: list[tuple[str, str]]
):
    """Yes and no are passed on; anything else leaves it open, and the screen goes on."""
    app, watch = asking(asks=True)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.pause()
        asked = isinstance(app.screen, PromptOverlay)
        await pilot.press(*answer)
        await pilot.pause()

        assert asked
        assert watch.visit_changes == changes
        assert not isinstance(app.screen, PromptOverlay)


async def test_each_counter_is_asked_about_once_when_it_is_shown():
    """The question names the unit; coming back to a counter asks nothing more."""
    shown = [
        kit.snapshot(counter=name, visit=VisitNow(unit=ident, number=number, asks_power=True))
        for number, (name, ident) in enumerate({"one": "0417", "two": "0418"}.items(), start=1)
    ]
    watch = kit.FakeWatch(*shown, operator=kit.FakeOperator())
    app = BenchwatchApp(watch, options=DisplayOptions(theme=Theme(), view="trim"), every_s=None)
    asked: list[str] = []
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.pause()
        for _ in range(3):
            if isinstance(app.screen, PromptOverlay):
                asked.append(app.screen._prompt)
                await pilot.press("escape")
            await pilot.press("n")
            await pilot.pause()

        assert [one.partition(" switched off")[0] for one in asked] == ["Was 0417", "Was 0418"]


@pytest.mark.parametrize(("asks", "operator"), [(False, True), (True, False)])
async def test_nothing_is_asked_without_a_reason(asks: bool, operator: bool):
    """After a short pause, or in a recording."""
    app, _ = asking(asks=asks, operator=operator)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.pause()

        assert not isinstance(app.screen, PromptOverlay)


@pytest.mark.parametrize(("answer", "made"), [("y", True), ("n", False), ("", False)])
async def test_an_unknown_unit_is_made_after_one_question(answer: str, made: bool):
    """With no, the visit stays as it was, and the screen says so."""
    app, watch = asking(asks=False)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(*":unit", "space", *"0418", "enter")
        await pilot.pause()
        asked = isinstance(app.screen, PromptOverlay)
        await pilot.press(*answer, "enter")
        await pilot.pause()

        assert asked
        assert watch.visit_changes == ([("new unit", "0418")] if made else [])


@pytest.mark.parametrize(("answer", "closed"), [("y", True), ("n", False), ("", False)])
async def test_a_visit_is_closed_after_one_question(answer: str, closed: bool):
    """It can't be opened again; with no it stays open, and the screen says so."""
    app, watch = asking(asks=False)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(*":close", "enter")
        await pilot.pause()
        asked = isinstance(app.screen, PromptOverlay)
        await pilot.press(*answer, "enter")
        await pilot.pause()

        assert asked
        assert watch.visit_changes == ([("close visit", "")] if closed else [])
