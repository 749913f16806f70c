"""What is typed about the measuring chain, and the keys of the view Chain."""

import pytest
import screen_kit as kit
from chain_kit import FakeChain, made_comparison, made_result

from benchwatch.screen.app import BenchwatchApp
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.typed_commands import ChainCommand, suggestions
from benchwatch.screen.views.view_list import VIEWS
from benchwatch.snapshot import ProofInUse

TRIM = next(view for view in VIEWS.tabs if view.name == "trim")


def shown(*names: str, proof: ProofInUse | None = None) -> tuple[kit.FakeWatch, FakeChain]:
    """Return a watch of these counters."""
    watch = kit.FakeWatch(*(kit.full_snapshot(counter=name, proof=proof) for name in names))
    watch.operator = kit.FakeOperator()
    chain = FakeChain(*names)
    watch.chain = chain if len(names) > 1 else None
    return watch, chain


def app_of(watch: kit.FakeWatch, view: str = "chain") -> BenchwatchApp:
    """Return the app on one view."""
    options = DisplayOptions(theme=Theme(), state=None, view=view)
    return BenchwatchApp(watch, options=options, every_s=None)


@pytest.mark.parametrize(
    ("typed", "command"),
    [
        ("prove ten spare", ChainCommand("prove", ("ten", "spare"))),
        ("prove", ChainCommand("prove")),
        ("use proof", ChainCommand("use proof")),
        ("drop proof", ChainCommand("drop proof")),
        ("record proof", ChainCommand("record proof")),
    ],
)
def test_commands_can_be_typed(typed: str, command: ChainCommand):
    """Each is the first suggestion, so that Enter runs it."""
    found = suggestions(typed, VIEWS, TRIM, ("operator", "compare"))

    assert next(one.command for one in found if one.command is not None) == command


def test_without_several_counters_nothing_is_offered():
    """A counter alone can't be compared."""
    found = suggestions("prove", VIEWS, TRIM, ("operator",))

    assert not [one for one in found if isinstance(one.command, ChainCommand)]


@pytest.mark.parametrize(
    ("key", "call"),
    [("p", ("prove", "main", "spare")), ("r", ("record", "main")), ("e", ("use", "main"))],
)
async def test_keys_of_the_view(key: str, call: tuple[str, ...]):
    """Compare what is offered, put on record, correct; the answer is shown."""
    watch, chain = shown("main", "spare")
    app = app_of(watch)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(key)
        await pilot.pause()

        assert chain.calls == [call]
        assert app.screen_state.frame().message == " ".join(call)


async def test_a_correction_in_use_is_dropped_by_the_same_key():
    """The view says that readings are corrected."""
    watch, chain = shown("main", "spare", proof=ProofInUse(against="spare", offset=2e-7, u=1e-11))
    app = app_of(watch)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        text = kit.own_rows("chain", app.screen_state.frame(), 80, 24)
        await pilot.press("e")
        await pilot.pause()

        assert "readings of main are corrected" in text
        assert chain.calls == [("drop", "main")]


async def test_typed_names_are_compared():
    """``:prove main spare`` from any view."""
    watch, chain = shown("main", "spare", "rack")
    app = app_of(watch, "trim")
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("colon", *"prove main spare")
        await pilot.pause()
        await pilot.press("enter")
        await pilot.pause()

        assert chain.calls == [("prove", "main", "spare")]


async def test_a_single_counter_shows_its_reference_and_is_told_why_it_is_not_compared():
    """The view is there with one counter too."""
    watch, _ = shown("main")
    app = app_of(watch)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("p")
        await pilot.pause()
        text = kit.own_rows("chain", app.screen_state.frame(), 80, 24)

        assert "not compared with another counter" in text
        assert "main counts by: an external time base" in text


async def test_of_several_the_operator_is_asked_which_are_on_one_signal():
    """Those with one nominal may stand side by side and measure other units."""
    watch, chain = shown("main", "spare", "rack")
    app = app_of(watch)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("p", *"main rack", "enter")
        await pilot.pause()
        await pilot.press("p", "escape")
        await pilot.pause()

        assert chain.calls == [("prove", "main", "rack")]


def test_eight_counters_fit_by_scrolling():
    """28 pairs on 80x24: every one is reached."""
    compared = made_comparison(made_result({f"c{k}": (0.0, "unknown") for k in range(8)}))
    seen = set()
    for scroll in range(0, 60, 5):
        made = kit.frame(
            kit.full_snapshot(counter="c0"), view="chain", comparison=compared, scroll=scroll
        )
        seen |= {row.split("  ")[1] for row in kit.own_rows("chain", made, 80, 24).splitlines()
                 if " less " in row[:16]}  # fmt: skip

    assert {f"c{a} less c{b}" for a in range(8) for b in range(a + 1, 8)} <= seen
