"""Answers of the screen to keys and settings, also several at once and during a fault."""

from dataclasses import replace

import pytest
import screen_kit as kit
from textual.events import Key

from benchwatch.counter import LinkStatus
from benchwatch.screen.app import BenchwatchApp
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.moment_message import MESSAGE_S
from benchwatch.screen.panels import status_text
from benchwatch.screen.preferences import Preferences
from benchwatch.screen.screen_state import ScreenState
from benchwatch.screen.typed_commands import SettingCommand

REFUSED = "the counter refused a gate of 11 d: -222, Data out of range."


def screen_state_of(watch: kit.FakeWatch) -> ScreenState:
    """Return the state of a screen over `watch`."""
    watch.operator = kit.FakeOperator()
    return ScreenState(watch, None, DisplayOptions(state=None), Preferences())


def answer(watch: kit.FakeWatch, name: str = "main", **changes: object) -> None:
    """Publish a status, as the counter's thread does after a request."""
    link = LinkStatus("reading", 1.2, str(changes.pop("detail", "")))
    watch.shown[name] = replace(watch.shown[name], link=link, **changes)  # type: ignore[arg-type]


def test_a_refused_gate_is_shown_every_time() -> None:
    """With the counter's sentence, while readings continue; also the same refusal again."""
    watch = kit.FakeWatch()
    screen_state = screen_state_of(watch)
    shown = []
    for _ in range(2):
        screen_state.frame()
        screen_state.change(SettingCommand("gate", "1000000s"))
        shown.append(screen_state.frame().message)
        answer(watch, detail=REFUSED)
        shown.append(screen_state.frame().message)
        watch.now_s += 60.0

    assert shown == ["gate is 1000000s", REFUSED] * 2
    assert screen_state.frame().message == ""


def test_a_gate_that_was_set_is_shown_as_read_back() -> None:
    """Also when it is the same as before."""
    watch = kit.FakeWatch()
    screen_state = screen_state_of(watch)
    shown = []
    for gate_s in (0.5, 0.5):
        screen_state.frame()
        screen_state.change(SettingCommand("gate", "500ms"))
        answer(watch, gate_s=gate_s)
        shown.append(screen_state.frame().message)

    assert shown == ["the gate is now 0.5 s, read back from the counter"] * 2


def test_a_gate_changed_at_the_front_panel_is_shown() -> None:
    """Without a request from here, as it changes the numbers."""
    watch = kit.FakeWatch()
    screen_state = screen_state_of(watch)
    screen_state.frame()
    watch.shown["main"] = replace(watch.shown["main"], gate_s=10.0)

    assert "gate is now 10 s" in screen_state.frame().message


def test_an_answer_of_another_counter_has_its_name() -> None:
    """Of several counters, the one that refused."""
    watch = kit.FakeWatch(kit.snapshot(), kit.snapshot(counter="spare"))
    screen_state = screen_state_of(watch)
    screen_state.frame()
    answer(watch, "spare", detail=REFUSED)

    assert screen_state.frame().message == f"spare: {REFUSED}"


def test_a_counter_that_ends_beside_others_is_a_message() -> None:
    """It says which and why, once; one that has all its readings ends without a word."""
    watch = kit.FakeWatch(
        kit.snapshot(), kit.snapshot(counter="spare"), kit.snapshot(counter="ten")
    )
    screen_state = screen_state_of(watch)
    screen_state.frame()
    for name, why in (("spare", "its driver failed."), ("ten", "")):
        watch.shown[name] = replace(watch.shown[name], link=LinkStatus("ended", kit.NOW_S, why))

    assert screen_state.frame().message == "spare: ended: its driver failed."


def test_a_first_connection_is_no_answer() -> None:
    """Details of the first connection are in the row of the link only."""
    watch = kit.FakeWatch(kit.snapshot(link=LinkStatus("connecting", 0.0), gate_s=None))
    screen_state = screen_state_of(watch)
    screen_state.frame()
    answer(watch, gate_s=1.0)

    assert screen_state.frame().message == ""


@pytest.mark.parametrize(
    "wrong",
    [{"link": LinkStatus("lost", 1.0, "the link is gone")}, {"journal_trouble": "disk full"}],
)
def test_a_keys_answer_is_shown_before_a_fault_which_is_shown_again_later(
    wrong: dict[str, object],
) -> None:
    """A mark with a lost link or a full disk is confirmed; then the fault is shown again."""
    watch = kit.FakeWatch(kit.snapshot(**wrong))
    screen_state = screen_state_of(watch)
    before = status_text.trouble_words(screen_state.frame())
    screen_state.mark("lid on")
    now = status_text.trouble_words(screen_state.frame())
    watch.now_s += MESSAGE_S + 0.1
    after = status_text.trouble_words(screen_state.frame())

    assert now == "marked: lid on"
    assert before == after
    assert before


def test_the_reason_of_a_lost_link_comes_before_its_resource() -> None:
    """On a narrow screen the resource is cut, not the reason."""
    resource = kit.snapshot().resource
    detail = f"can't open {resource}: nothing listens there. Is it on? Next try in 2 s."
    made = kit.frame(kit.snapshot(link=LinkStatus("lost", 1.0, detail)))

    shown = status_text.trouble_words(made)

    assert shown == f"nothing listens there: can't open {resource}. Is it on? Next try in 2 s."


@pytest.mark.parametrize(
    ("now_s", "then"),
    [(100.0, "Next try in 8 s."), (103.2, "Next try in 5 s."), (108.0, "Trying again now.")],
)
def test_the_time_to_the_next_try_counts_down(now_s: float, then: str) -> None:
    """From the time at which the link was lost, second by second."""
    link = LinkStatus("lost", 100.0, "It hung up. Next try in 8 s.", next_try_s=108.0)
    made = kit.frame(kit.snapshot(link=link), now_s=now_s)

    assert status_text.trouble_words(made) == f"It hung up. {then}"


@pytest.mark.parametrize("first", [1, 2, 4, 8])
async def test_keys_typed_while_the_line_comes_up_lose_nothing(first: int) -> None:
    """Some before the line has the focus, the rest after it: one text, in order."""
    watch = kit.FakeWatch()
    app = BenchwatchApp(watch, options=DisplayOptions(state=None), every_s=None)
    keys = "mall well\r"
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        for part in (keys[:first], keys[first:]):
            for char in part:
                named = {"\r": "enter", " ": "space"}
                app.post_message(Key(named.get(char, char), char))
            await pilot.pause()
        await pilot.pause()

    assert watch.marks == ["all well"]


@pytest.mark.parametrize(
    ("keys", "marks", "calls"),
    [
        ("mall well\r", ["all well"], []),
        (":tol 5ppb\r", [], [("change", "main", "tolerance", "5ppb")]),
        ("mx\x7fok\r", ["ok"], []),
    ],
)
async def test_keys_in_one_packet_are_all_taken(
    keys: str, marks: list[str], calls: list[tuple[str, ...]]
) -> None:
    """They come before the line to type on is shown."""
    operator = kit.FakeOperator()
    watch = kit.FakeWatch(operator=operator)
    app = BenchwatchApp(watch, options=DisplayOptions(state=None), every_s=None)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        for char in keys:
            named = {"\r": "enter", "\x7f": "backspace", ":": "colon", " ": "space"}
            app.post_message(Key(named.get(char, char), char))
        await pilot.pause()
        await pilot.pause()

    assert watch.marks == marks
    assert operator.calls == calls
