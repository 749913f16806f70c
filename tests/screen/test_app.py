"""The app: every key, the two rates of redrawing, the overlays, driven without a terminal."""

from dataclasses import replace

import pytest
import screen_kit as kit
from chain_kit import FakeChain, made_comparison, made_result
from sound_kit import FakeSound
from textual.pilot import Pilot

from benchwatch.colours import THEMES
from benchwatch.counter import LinkStatus
from benchwatch.errors import INTERRUPTED
from benchwatch.estimate.results import Estimate, Settle
from benchwatch.screen.app import BenchwatchApp
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.preferences import Preferences
from benchwatch.screen.view_actions import COARSE_TURNS, FINE_TURNS
from benchwatch.screen.views.view_list import VIEWS
from benchwatch.screen.widgets.overlays import TextOverlay
from benchwatch.screen.widgets.typing_overlays import CommandOverlay, PromptOverlay
from benchwatch.snapshot import ComparisonNow

pytestmark = pytest.mark.long


def made_app(
    watch=None, trimmer=None, *, theme=None, operator=None, state=None, view="trim"
) -> BenchwatchApp:
    """Return an app that redraws only on request."""
    options = DisplayOptions(theme=theme or Theme(), state=state, view=view)
    shown = watch or kit.FakeWatch()
    shown.operator = operator
    return BenchwatchApp(shown, trimmer=trimmer, options=options, every_s=None)


def text_of(app: BenchwatchApp) -> str:
    """Return the text of the view."""
    return "\n".join(row.plain.rstrip() for row in app.view_widget.lines) + "\n"


async def test_the_app_shows_the_picture():
    """The screen shows exactly the rows of the pure drawing functions."""
    app = made_app()
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()

        assert text_of(app) == kit.plain("trim", kit.frame(), 80, 24)


async def test_digits_follow_a_new_reading_and_charts_wait():
    """The fast redraw uses the newest snapshot; the chart is redrawn less often."""
    watch = kit.FakeWatch()
    app = made_app(watch)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        before = text_of(app).splitlines()
        moved = kit.numbers(estimate=Estimate(-9.9e-9, 1e-10, 3, 3.0), settle=None)
        watch.shown["main"] = kit.snapshot(numbers=moved)
        watch.now_s += 30.0
        app.redraw_digits()
        fast = text_of(app).splitlines()
        app.redraw()
        slow = text_of(app).splitlines()

        assert "low, bring it up" in "\n".join(fast)
        assert fast[15:20] == before[15:20]
        assert slow[15:20] != before[15:20]


async def test_unchanged_snapshots_repaint_nothing(monkeypatch):
    """A redraw that changes no row paints nothing."""
    app = made_app()
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        asked = []
        monkeypatch.setattr(app.view_widget, "refresh", lambda *regions, **_: asked.append(regions))
        app.redraw()

        assert not asked


async def test_a_silent_counter_dims_the_screen():
    """When readings stop, the next redraw is dim."""
    watch = kit.FakeWatch()
    app = made_app(watch)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        watch.shown["main"] = kit.snapshot(
            link=LinkStatus("silent", kit.NOW_S - 5.0, "no reading for 5 s")
        )
        app.redraw_digits()

        assert "no reading for 5 s" in text_of(app)
        assert "no reading, so no direction" in text_of(app)


async def test_q_quits_with_zero():
    """Q ends the watch and the exit code is 0."""
    app = made_app()
    async with app.run_test() as pilot:
        await pilot.press("q")

    assert app.return_code == 0


async def test_ctrl_c_interrupts_even_from_an_overlay():
    """Ctrl-C ends the run with 130, with any overlay."""
    app = made_app()
    async with app.run_test() as pilot:
        await pilot.press("m")
        await pilot.press("ctrl+c")

    assert app.return_code == INTERRUPTED


async def test_m_marks_with_text():
    """The text typed after m is on the time line, with letters that are keys elsewhere."""
    watch = kit.FakeWatch()
    app = made_app(watch)
    async with app.run_test() as pilot:
        await pilot.press("m", *"quiz", "enter")
        await pilot.pause()

        assert watch.marks == ["quiz"]
        assert "marked: quiz" in text_of(app)


async def test_m_enter_marks_the_moment():
    """A mark needs no text."""
    watch = kit.FakeWatch()
    app = made_app(watch)
    async with app.run_test() as pilot:
        await pilot.press("m", "enter")
        await pilot.pause()

    assert watch.marks == [""]


async def test_escape_leaves_no_mark():
    """A cancelled mark is not added."""
    watch = kit.FakeWatch()
    app = made_app(watch)
    async with app.run_test() as pilot:
        await pilot.press("m", "x", "escape")
        await pilot.pause()

        assert not watch.marks
        assert not isinstance(app.screen, PromptOverlay)


@pytest.mark.parametrize(("key", "span_s"), [("z", 60.0), ("x", 300.0)])
async def test_zoom_keys_change_the_span(key, span_s):
    """Z shows a shorter and x a longer time."""
    watch = kit.FakeWatch()
    app = made_app(watch)
    async with app.run_test() as pilot:
        await pilot.press(key)

    assert watch.traces[-1][1] == span_s


async def test_zoom_stops_at_both_ends():
    """Further zooming does nothing."""
    app = made_app()
    async with app.run_test() as pilot:
        await pilot.press(*["z"] * 9, *["x"] * 30)

    assert app.return_code in {0, None}


async def test_n_shows_the_next_counter():
    """N cycles through the counters of the bench."""
    other = kit.snapshot(counter="spare", nominal_hz=5e6)
    app = made_app(kit.FakeWatch(kit.snapshot(), other), view="trim")
    async with app.run_test() as pilot:
        await pilot.pause()
        assert " main 10 MHz " in text_of(app)
        await pilot.press("n")
        assert " spare 5 MHz " in text_of(app)
        await pilot.press("n")

        assert " main 10 MHz " in text_of(app)


@pytest.mark.parametrize(
    ("key", "amount"),
    [("left", -FINE_TURNS), ("right", FINE_TURNS), ("down", -COARSE_TURNS), ("up", COARSE_TURNS)],
)
async def test_arrows_turn_the_trimmer(key, amount):
    """Left and down lower the frequency, right and up raise it; up and down are coarse."""
    trimmer = kit.FakeTrimmer()
    app = made_app(trimmer=trimmer)
    async with app.run_test() as pilot:
        await pilot.press(key)

    assert trimmer.turns == [("main", amount)]


async def test_the_keys_turn_the_trimmer_of_the_counter_that_is_shown():
    """With another counter on the screen, its trimmer is turned and touched."""
    trimmer = kit.FakeTrimmer()
    app = made_app(kit.FakeWatch(kit.snapshot(), kit.snapshot(counter="spare")), trimmer=trimmer)
    async with app.run_test() as pilot:
        await pilot.press("n", "right", "space")

    assert trimmer.turns == [("spare", FINE_TURNS)]
    assert trimmer.tool == [("spare", True)]


async def test_space_puts_the_tool_on_and_lifts_it():
    """The screen shows while the tool is on."""
    trimmer = kit.FakeTrimmer()
    app = made_app(trimmer=trimmer)
    async with app.run_test() as pilot:
        await pilot.press("space")
        said = text_of(app)
        await pilot.press("space")

        assert "tool on" in said
        assert "tool on" not in text_of(app)
    assert trimmer.tool == [("main", True), ("main", False)]


async def test_on_a_real_bench_no_key_turns_anything():
    """Without a simulated trimmer the turning keys are gone, and the tool is a mark."""
    watch = kit.FakeWatch()
    app = made_app(watch)
    async with app.run_test() as pilot:
        await pilot.press("left", "up", "space", "space")

        assert "Left/Right turn" not in text_of(app)
    assert watch.marks == ["tool on", "tool off"]


@pytest.mark.parametrize("size", [(60, 18), (80, 24), (120, 36)])
async def test_help_lies_over_the_view_and_closes(size):
    """H explains the view, its keys and the cautions; Escape closes it."""
    app = made_app()
    async with app.run_test(size=size) as pilot:
        await pilot.press("h")
        await pilot.pause()
        assert isinstance(app.screen, TextOverlay)
        await pilot.press("down", "pagedown", "up", "pageup")
        await pilot.press("escape")

        assert not isinstance(app.screen, TextOverlay)


@pytest.mark.parametrize("opener", ["h", "question_mark", "b"])
async def test_q_closes_a_page_and_does_not_quit(opener):
    """On help, list of keys and records; only the next q, on the view, leaves the program."""
    app = made_app()
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(opener, "q")
        await pilot.pause()
        closed = not isinstance(app.screen, TextOverlay) and not app.ending
        await pilot.press("q")

        assert closed
        assert app.ending


@pytest.mark.parametrize(("opener", "line"), [("m", PromptOverlay), ("colon", CommandOverlay)])
async def test_q_is_a_letter_in_a_line_to_type_on(opener, line):
    """The foot says so, and that Esc closes the line."""
    app = made_app()
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(opener, "q")
        open_still = isinstance(app.screen, line)
        foot = app.screen._foot.lines[0].plain
        await pilot.press("escape")
        await pilot.pause()

        assert open_still
        assert foot == "Enter confirms  Esc cancels; q is a letter here"
        assert not isinstance(app.screen, line)
        assert not app.ending


async def test_a_page_is_replaced_by_the_next():
    """From the help to the list of keys, to the records, to a view; its own key closes it."""
    app = made_app(kit.FakeWatch(kit.full_snapshot()))
    async with app.run_test(size=(80, 24)) as pilot:
        for key, begins in (("h", "Trim"), ("question_mark", "Keys here"), ("b", "Records")):
            await pilot.press(key)
            await pilot.pause()
            assert (
                app.screen.query_one("VerticalScroll > TextWidget")
                .lines[0]
                .plain.startswith(begins)
            )
        await pilot.press("3")
        await pilot.pause()
        assert not isinstance(app.screen, TextOverlay)
        assert app.screen_state.view.title == "Stability"

        await pilot.press("b")
        await pilot.press("b")
        await pilot.pause()
        assert not isinstance(app.screen, TextOverlay)


@pytest.mark.parametrize("word", THEMES)
async def test_the_view_stays_in_sight_behind_a_box(word):
    """With colours and without, an overlay hides no more than its own box."""
    theme = Theme(ascii=word == "terminal", word=word)
    app = made_app(kit.FakeWatch(kit.full_snapshot()), theme=theme)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("colon")
        await pilot.pause()

        assert "time&#160;base" in app.export_screenshot()


async def test_every_key_is_listed_on_a_page():
    """The question mark lists the keys of this view and those of the others, at 60x18 too."""
    app = made_app(kit.FakeWatch(kit.full_snapshot()))
    async with app.run_test(size=(60, 18)) as pilot:
        await pilot.press("question_mark")
        await pilot.pause()
        lines = app.screen.query_one("VerticalScroll > TextWidget").lines
        listed = "\n".join(row.plain for row in lines)
        await pilot.press("question_mark")

        assert not isinstance(app.screen, TextOverlay)
    assert listed.startswith("Keys here (Trim)\nq ")
    assert "\nt           Warm-up: Draw time evenly" in listed
    for key in VIEWS.keys:
        assert key.needs not in {None, "bench"} or not key.help or f"\n{key.label} " in listed


def test_every_key_has_an_id_and_every_shown_key_a_sentence():
    """Keys are data: ids are unique, each has an action, footer keys have help."""
    assert len({key.id for key in VIEWS.keys}) == len(VIEWS.keys)
    assert all(key.help for key in VIEWS.keys if key.footer)
    assert all(key.action for key in VIEWS.keys if key.id != "command")
    trim = VIEWS.named("trim")
    assert len(VIEWS.keys_in(trim, ())) < len(VIEWS.keys_in(trim, ("trimmer",)))


@pytest.mark.parametrize("view", VIEWS.views, ids=lambda view: view.name)
@pytest.mark.parametrize(
    "capabilities",
    [("bench", "trimmer", "operator", "counters", "sound"), ("player", "counters", "sound")],
    ids=["live", "recording"],
)
def test_no_key_does_two_things_at_once(view, capabilities):
    """A live bench and a recording share some keys; in each only one action is possible."""
    names = [name for key in VIEWS.keys_in(view, capabilities) for name in key.keys]

    assert sorted(set(names)) == sorted(names)


@pytest.mark.parametrize(
    ("key", "title"),
    [("1", "Trim"), ("2", "Warm-up"), ("3", "Stability"), ("4", "Elsewhere"), ("5", "Notes")],
)
async def test_number_keys_show_the_views(key, title):
    """Each view has its number and its help."""
    app = made_app(kit.FakeWatch(kit.full_snapshot()), view="elsewhere" if key == "1" else "trim")
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.press(key)
        assert app.screen_state.view.title == title
        await pilot.press("h")
        await pilot.pause()

        assert app.screen.query_one("VerticalScroll > TextWidget").lines[0].plain == title


async def test_a_key_of_another_view_names_that_view():
    """Record as left, typed on the warm-up: a sentence, and nothing is recorded."""
    calls = kit.FakeOperator()
    app = made_app(kit.FakeWatch(kit.full_snapshot()), view="warm_up", operator=calls)
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.press("l")
        said = text_of(app)

        assert "l (as left) works on Trim" in said
        assert calls.calls == []


async def test_a_command_of_another_view_goes_there_and_does_it():
    """As left, typed on the command line of the warm-up, shows the trim and records."""
    operator = kit.FakeOperator()
    app = made_app(kit.FakeWatch(kit.full_snapshot()), view="warm_up", operator=operator)
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.press("colon", *"as left")
        await pilot.pause()
        await pilot.press("enter")
        await pilot.pause()

        assert app.screen_state.view.title == "Trim"
        assert operator.calls == [("record", "main", "as left")]


@pytest.mark.parametrize("size", [(60, 18), (80, 24), (120, 36)])
async def test_the_loss_of_another_counter_is_on_every_screen(size):
    """The top row of the counter shown names the lost one."""
    spare = replace(kit.full_snapshot(), counter="spare")
    watch = kit.FakeWatch(kit.full_snapshot(), spare)
    app = made_app(watch, view="trim")
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        before = text_of(app)
        watch.shown["spare"] = replace(spare, link=LinkStatus("lost", 1.0, "the cable is out"))
        app.redraw()

        assert "spare lost" not in before
        assert "spare lost" in text_of(app).splitlines()[0]


async def test_f_fills_the_screen_and_goes_back():
    """The large number fills the screen; the same key returns."""
    app = made_app(kit.FakeWatch(kit.full_snapshot()))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("f")
        filled = text_of(app)
        await pilot.press("f")

        assert filled == kit.plain("fill", kit.frame(kit.full_snapshot()), 80, 24)
        assert app.screen_state.view.name == "trim"


async def test_records_are_made_by_key():
    """A and l record the offset and report it; without an operator they do nothing."""
    operator = kit.FakeOperator()
    app, bare = made_app(operator=operator), made_app()
    async with app.run_test() as pilot:
        await pilot.press("a", "l")
        said = text_of(app)
    async with bare.run_test() as pilot:
        await pilot.press("a", "l")

    assert operator.calls == [("record", "main", "as found"), ("record", "main", "as left")]
    assert "recorded as left" in said


async def test_the_budget_lies_over_the_view():
    """B shows the record with its contributions."""
    app = made_app(kit.FakeWatch(kit.full_snapshot()))
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.press("b")
        await pilot.pause()
        lines = app.screen.query_one("VerticalScroll > TextWidget").lines
        await pilot.press("escape")

        assert any(line.plain.startswith("as found  +6.93") for line in lines)
        assert not isinstance(app.screen, TextOverlay)


async def test_t_changes_the_time_axis():
    """Linear time, then its logarithm."""
    app = made_app(kit.FakeWatch(kit.full_snapshot()), view="warm_up")
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        even = text_of(app)
        await pilot.press("t")

        assert "20:05" in even
        assert "20:05" not in text_of(app)
        assert "10 s" in text_of(app).splitlines()[-3]


async def test_warm_up_asks_for_the_whole_past():
    """The chart of the warm-up reaches back to the beginning."""
    watch = kit.FakeWatch(kit.full_snapshot())
    app = made_app(watch, view="warm_up")
    async with app.run_test() as pilot:
        await pilot.pause()

    assert watch.traces[-1][1] == kit.NOW_S


async def test_s_changes_the_settle_limit():
    """The typed limit goes to the operator; the answer is shown."""
    operator = kit.FakeOperator()
    app = made_app(operator=operator, view="warm_up")
    async with app.run_test() as pilot:
        await pilot.press("s", *"2ppb/1h", "enter")
        await pilot.pause()

        assert operator.calls == [("change", "main", "settle", "2ppb/1h")]
        assert "settle is 2ppb/1h" in text_of(app)


async def test_d_and_k_change_the_deviation():
    """D removes the drift, k shows the next kind."""
    app = made_app(kit.FakeWatch(kit.full_snapshot()), view="stability")
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.pause()
        assert "oadev, drift included" in text_of(app)
        await pilot.press("d")
        assert "oadev, drift removed" in text_of(app)
        await pilot.press("k")

        assert "mdev, drift removed" in text_of(app)


async def test_w_shows_the_whole_run_and_its_last_part_again():
    """The stability view begins at the last nudge; w shows the whole run."""
    app = made_app(kit.FakeWatch(kit.full_snapshot()), view="stability")
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.pause()
        assert "420 readings over" in text_of(app)
        await pilot.press("w")
        assert "740 readings over" in text_of(app)
        assert "the whole run" in text_of(app)
        await pilot.press("w")

        assert "420 readings over" in text_of(app)


async def test_u_changes_the_unit():
    """ppm, ppb, parts in 10^12, and back to the automatic one."""
    app = made_app()
    async with app.run_test(size=(120, 36)) as pilot:
        seen = []
        for _ in range(4):
            await pilot.press("u")
            seen.append(app.screen_state.frame().unit.name)

    assert seen == ["ppm", "ppb", "parts in 10^12", "ppb"]


async def test_page_keys_scroll_the_log():
    """PgDn goes to older entries, PgUp back; neither leaves the list."""
    shown = kit.full_snapshot(logged_events=kit.logged_events(40))
    app = made_app(kit.FakeWatch(shown), view="notes")
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("pagedown")
        down = text_of(app)
        await pilot.press(*["pagedown"] * 20)
        end = text_of(app)
        await pilot.press(*["pageup"] * 30)

        assert "mark 39" not in down
        assert "mark 34" in down
        assert "nominal 10 MHz" in end
        assert "mark 39" in text_of(app)


async def test_the_command_line_does_what_keys_do():
    """A word of the command finds it; Enter runs it."""
    app = made_app(kit.FakeWatch(kit.full_snapshot()))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(":", *"stabil", "enter")
        await pilot.pause()

        assert app.screen_state.view.name == "stability"


async def test_the_command_line_chooses_with_up_and_down():
    """Down goes to the next suggestion, Escape leaves without any action."""
    app = made_app()
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("ctrl+p", "down", "down", "up", "enter")
        await pilot.pause()
        assert isinstance(app.screen, TextOverlay)
        await pilot.press("escape", ":", "escape")

        assert not isinstance(app.screen, CommandOverlay)


async def test_the_command_line_goes_through_its_offers_by_pages():
    """A page down and up again is the first suggestion; further down is the last."""
    app = made_app()
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(":")
        await pilot.pause()
        first = chosen(app)
        await pilot.press("pagedown")
        second = chosen(app)
        await pilot.press("pageup")
        again = chosen(app)
        await pilot.press(*["pagedown"] * 9)

        assert first == again != second
        assert chosen(app) not in {first, second}


def chosen(app: BenchwatchApp) -> str:
    """Return the selected suggestion on the command line."""
    sheets = [sheet for sheet in app.screen.query("TextWidget") if len(sheet.lines) > 1]
    (line,) = [row.plain for row in sheets[0].lines if row.plain.startswith(">")]
    return line


async def test_settings_are_typed_on_the_command_line():
    """A setting and its value go to the operator; a refusal is shown as a sentence."""
    operator = kit.FakeOperator()
    app = made_app(operator=operator)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(":", *"tol 5ppb", "enter")
        await pilot.pause()
        said = text_of(app)
        await pilot.press(":", *"gate nonsense", "enter")
        await pilot.pause()

        assert operator.calls == [("change", "main", "tolerance", "5ppb")]
        assert "tolerance is 5ppb" in said
        assert "'nonsense' is no gate." in text_of(app)


async def test_choices_survive_a_restart(tmp_path):
    """View, unit, span and axes are restored."""
    state = tmp_path / "state" / "screen.json"
    first = made_app(state=state)
    async with first.run_test() as pilot:
        await pilot.press("x", "u", "2", "t")
    second = made_app(state=state)
    async with second.run_test() as pilot:
        await pilot.pause()

    assert second.screen_state.preferences == Preferences(span_s=300.0, unit="ppm", log_time=True)
    assert second.screen_state.view.name == "trim"


async def test_the_bell_rings_once_when_it_settles(monkeypatch):
    """Once, for an unattended bench."""
    watch, rung = kit.FakeWatch(), []
    app = made_app(watch)
    async with app.run_test() as pilot:
        await pilot.pause()
        monkeypatch.setattr(app, "bell", lambda: rung.append(True))
        settled = Settle("settled", kit.NOW_S, None, reason="quiet")
        watch.shown["main"] = kit.snapshot(numbers=kit.numbers(settle=settled))
        app.redraw_digits()
        app.redraw_digits()

    assert rung == [True]


async def test_resize_redraws_at_once():
    """The picture follows the size of the terminal."""
    app = made_app()
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.resize_terminal(60, 18)
        for _ in range(50):
            await pilot.pause(0.02)
            if len(app.view_widget.lines) == 18:
                break

        assert text_of(app) == kit.plain("trim", kit.frame(), 60, 18)


@pytest.mark.parametrize("variable", ["", "1"])
async def test_no_color_reaches_every_cell(monkeypatch, variable):
    """In the terminal's theme no cell on the screen, overlay included, has a colour of ours."""
    monkeypatch.setenv("NO_COLOR", variable)
    app = made_app(theme=Theme(word="terminal"))
    async with app.run_test(size=(80, 24)) as pilot:
        await _assert_colourless(app, pilot)
        await pilot.press("m")
        await _assert_colourless(app, pilot)


async def _assert_colourless(app: BenchwatchApp, pilot: Pilot[None]) -> None:
    await pilot.pause()
    strips = app.screen._compositor.render_strips()
    styles = [segment.style for strip in strips for segment in strip if segment.style]

    assert styles
    assert all(s.color is None or s.color.is_default for s in styles)
    assert all(s.bgcolor is None or s.bgcolor.is_default for s in styles)


async def test_c_looks_closer_at_the_warm_up():
    """C zooms in on the newest offsets; again, it shows the whole warm-up."""
    app = made_app(kit.FakeWatch(kit.full_snapshot()), view="warm_up")
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("c")
        close = app.screen_state.frame().window
        await pilot.press("c")
        whole = app.screen_state.frame().window

        assert close is not None
        assert whole is not None
        assert close[1] - close[0] < whole[1] - whole[0]


BEFORE = {
    "newer": ("pagedown",),
    "chain_up": ("pagedown",),
    "clear_entry": ("1",),
    "select_above": ("down",),
    "select_first": ("down",),
    "select_far_above": ("down",),
}
"""Keys to press before a key that has no effect at first."""


def state_of(app: BenchwatchApp, watch: kit.FakeWatch) -> list[object]:
    """Return all that a key can change: the screen, and the last calls of the watch."""
    return [text_of(app), type(app.screen), app.ending, watch.marks[:], watch.traces[-1:]]


@pytest.fixture(scope="module")
def eight_compared() -> ComparisonNow:
    """Compare eight counters, which takes as long as drawing some screens."""
    return made_comparison(made_result(dict.fromkeys(("main", *"abcdefg"), (0.0, "unknown"))))


@pytest.mark.parametrize("key", VIEWS.keys, ids=lambda key: key.id)
async def test_every_key_does_something(key, eight_compared):
    """Each key, where it works, changes the picture or calls the watch."""
    spare = replace(kit.full_snapshot(), counter="spare")
    trimmer, operator, playback = kit.FakeTrimmer(), kit.FakeOperator(), kit.FakeTransport()
    watch = kit.FakeWatch(
        kit.full_snapshot(logged_events=kit.logged_events(40)), spare, operator=operator
    )
    typed: list[str] = []
    watch.enter = typed.append if key.needs == "typed" else None
    watch.chain = FakeChain("main", "spare")
    watch.compared = eight_compared
    here = "notes" if key.id in {"view_trim", "view_bench"} else VIEWS.view_for(key).name
    if key.needs == "typed":
        here = "trim"
    for name in key.keys:
        app = BenchwatchApp(
            watch,
            trimmer=trimmer,
            playback=playback if key.needs == "player" else None,
            sound=FakeSound,
            options=DisplayOptions(theme=Theme(), state=None, view=here),
            every_s=None,
        )
        async with app.run_test(size=(120, 36)) as pilot:
            await pilot.press(*BEFORE.get(key.id, ()))
            await pilot.pause()
            calls = (trimmer.turns, trimmer.tool, operator.calls, playback.calls, app._sound.calls)
            calls += (typed,)
            before = repr((state_of(app, watch), calls))
            await pilot.press(name)
            await pilot.pause()

            assert repr((state_of(app, watch), calls)) != before
