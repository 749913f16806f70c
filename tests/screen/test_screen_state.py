"""Commands, stored preferences, and the words about trimming and records."""

import json
from dataclasses import replace

import pytest
import screen_kit as kit
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.estimate.derived_frequencies import elsewhere
from benchwatch.estimate.results import Settle
from benchwatch.estimate.trim.landing import LandingNow
from benchwatch.estimate.trim.mean_pull import MeanPull
from benchwatch.estimate.trim.tool_pull import ToolState
from benchwatch.estimate.trim.trim_hint import Hint, Judgement
from benchwatch.pipeline.cautions import with_cautions
from benchwatch.screen.axis_state import AxisState
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.frame import LEAST_WIDTH
from benchwatch.screen.panels import progress_rows, record_row, status_text
from benchwatch.screen.preferences import Preferences, load, save
from benchwatch.screen.screen_state import ScreenState
from benchwatch.screen.text_pages import record_lines
from benchwatch.screen.typed_commands import KeyCommand, SettingCommand, suggestions
from benchwatch.screen.views.stability_view import kinds, shown
from benchwatch.screen.views.view_list import VIEWS
from benchwatch.screen.widgets.overlays import BORDER_CELLS
from benchwatch.screen.widgets.typing_overlays import PROMPT_CELLS, suggestion_lines
from benchwatch.snapshot import ElsewhereNow, Records, StabilityNow


def offered(typed, view, there):
    """Return the suggestions in the view of that name."""
    return suggestions(typed, VIEWS, VIEWS.named(view), there)


def test_offers_find_keys_by_any_word():
    """Words of the sentence or the key itself find a command, in any order."""
    titles = [one.command for one in offered("mark time", "trim", ())]

    assert titles == [KeyCommand("note")]


def test_offers_of_settings_need_an_operator():
    """Without an operator no setting is suggested."""
    assert [one.command for one in offered("tolerance 5ppb", "trim", ("operator",))] == [
        SettingCommand("tolerance", "5ppb")
    ]
    assert not offered("tolerance 5ppb", "trim", ())


@pytest.mark.parametrize("view", [view.name for view in VIEWS.views])
@pytest.mark.parametrize(
    "capabilities",
    [("bench", "trimmer", "operator", "counters", "sound", "compare"), ("player", "sound")],
)
def test_no_row_of_the_command_line_is_cut(view, capabilities):
    """At 80 cells every suggestion fits, at 60 every key."""
    found = offered("", view, capabilities)

    for one, row in zip(found, suggestion_lines(found, 0, len(found)), strict=True):
        room = PROMPT_CELLS if one.command is None else LEAST_WIDTH
        assert row.width <= room - BORDER_CELLS


def test_commands_of_other_views_are_offered_last_with_their_view():
    """Uncut at 80 cells, and only once a word of it is typed."""
    capabilities = ("bench", "trimmer", "operator", "counters", "sound")
    found = offered("a", "warm_up", capabilities)
    elsewhere = [isinstance(one.command, KeyCommand) and one.command.view != "" for one in found]

    assert "Trim: Record the offset as left" in [one.text for one in found]
    assert elsewhere == sorted(elsewhere)
    widest = max(row.width for row in suggestion_lines(found, 0, len(found)))
    assert widest <= PROMPT_CELLS - BORDER_CELLS


def test_a_pair_of_keys_is_offered_one_by_one():
    """Lower and raise are two rows, each with its effect."""
    texts = {one.name: one.text for one in offered("trimmer little", "trim", ("trimmer",))}

    assert texts == {
        "Left": "Turn the trimmer down a little",
        "Right": "Turn the trimmer up a little",
    }


def test_the_chosen_row_is_marked_and_in_sight():
    """If not all rows fit, the selected one is shown, marked without colour too."""
    found = offered("", "trim", ("bench", "trimmer", "operator"))
    rows = suggestion_lines(found, 15, 10)

    assert [row.plain[0] for row in rows] == [" "] * 9 + [">"]
    assert found[15].text in rows[-1].plain
    assert suggestion_lines([], 0, 10)[0].plain == "no command has these words"


def test_a_setting_without_a_value_shows_its_forms():
    """The list shows the forms of a nominal, a tolerance, a settle limit and a gate."""
    listed = offered("", "trim", ("operator",))[:4]

    assert [one.command for one in listed] == [None] * 4
    assert "10MHz" in listed[0].text


def test_the_tabs_are_numbered_and_every_other_form_is_of_a_view():
    """Digits from 1 on without a gap; a form without a view could never be left."""
    names = {view.name for view in VIEWS.views}

    assert all(view.parent in {"", *names} for view in VIEWS.views)
    assert [view.key for view in VIEWS.tabs] == [str(number) for number, _ in enumerate(VIEWS.tabs)]


def test_an_unknown_view_is_the_first_that_is_always_there():
    """A stored name that no longer exists shows the trim."""
    assert VIEWS.named("no such view") is VIEWS.named("trim")


def test_preferences_are_read_back_from_their_file(tmp_path):
    """Every choice is the same."""
    preferences = Preferences(
        span_s=600.0, unit="ppm", log_time=True, without_drift=True, deviation="mdev"
    )
    path = tmp_path / "deep" / "screen.json"

    assert save(path, preferences)
    assert load(path) == preferences


@given(
    st.one_of(
        st.binary(max_size=30),
        st.dictionaries(
            st.sampled_from(["view", "span_s", "unit", "log_time", "other"]),
            st.one_of(st.none(), st.integers(), st.floats(), st.text(max_size=5), st.booleans()),
        ).map(lambda kept: json.dumps(kept).encode()),
        st.just(b"[" * 5_000),
    )
)
def test_a_broken_preferences_file_is_harmless(tmp_path_factory, content):
    """For any content the screen starts with valid choices."""
    path = tmp_path_factory.mktemp("preferences") / "screen.json"
    path.write_bytes(content)
    preferences = load(path)

    assert preferences.span_s in {30.0, 60.0, 120.0, 300.0, 600.0, *(1800.0, 3600.0, 14400.0)} | {
        86400.0, 604800.0,
    }  # fmt: skip
    assert isinstance(preferences.log_time, bool)


def test_an_old_preferences_file_with_a_view_is_read(tmp_path):
    """The view is no longer kept; the other choices are taken."""
    path = tmp_path / "screen.json"
    path.write_text('{"view": "notes", "span_s": 300.0, "unit": "ppm"}', encoding="utf-8")

    assert load(path) == Preferences(span_s=300.0, unit="ppm")


def test_preferences_that_cannot_be_written_are_reported(tmp_path):
    """A folder without permission loses the preferences only."""
    blocked = tmp_path / "file"
    blocked.write_text("", encoding="utf-8")

    assert not save(blocked / "screen.json", Preferences())


@pytest.mark.parametrize(("share", "filled"), [(0.0, 0), (0.5, 5), (1.0, 10), (7.0, 10), (-1.0, 0)])
def test_a_bar_fills_with_its_share(share, filled):
    """Empty at 0, full at 1, never beyond its frame."""
    drawn = progress_rows.bar(share, 10, Theme(ascii=True)).plain

    assert drawn == "[" + "#" * filled + "." * (10 - filled) + "]"


def _judged(settle=None, **changes):
    numbers = kit.numbers(settle=settle)
    made = kit.frame(kit.full_snapshot(numbers=numbers, trim=kit.trim_now(**changes)))
    return progress_rows.judge_line(made, 80, 1)[0].plain


def test_the_bar_goes_from_let_go_to_turn_again():
    """While it fills: the present u and the wait; full: turn again, or stay when inside."""
    ready = Judgement(2e-10, 1.0, 0.0)

    assert _judged().endswith("wait until good to 0.23 ppb, 9 s to go")
    soon = Judgement(2e-10, 0.99, 0.109)
    assert _judged(judgement=soon).endswith("wait until good to 0.20 ppb, 1 s to go")
    assert _judged(judgement=Judgement(2e-10, 0.1, None)).endswith("wait until good to 0.20 ppb")
    assert _judged(judgement=ready).endswith("good to 0.20 ppb, turn again")
    assert _judged(judgement=ready, direction="inside").endswith("good to 0.20 ppb, stay")


@pytest.mark.parametrize(
    ("hint", "words"),
    [
        (Hint(0.5, 0.04, -2.31e-9, 1.1e-10), "go on, 2.3 ppb more the same way"),
        (Hint(-0.214, 0.03, 9.9e-10, 2e-11), "too far: back, 0.99 ppb"),
        (Hint(-3.0, 0.06, -1.5e-8, 2e-10), "wrong way: back, 15.0 ppb"),
        (Hint(-1.02, 0.03, -5.1e-9, 2e-10), "back, 5.1 ppb"),
        (None, ""),
    ],
)
def test_the_hint_gives_the_way_in_the_unit_on_the_screen(hint, words):
    """Undershoot: further; overshoot: back; unknown: nothing."""
    made = kit.full_snapshot(numbers=kit.numbers(settle=None), trim=kit.trim_now(hint=hint))

    assert progress_rows.hint_words(kit.frame(made)) == words


def test_no_turn_is_suggested_during_a_warm_up():
    """Ready by its noise but still moving: wait, and no way is given."""
    ready = kit.trim_now(judgement=Judgement(2e-10, 1.0, 0.0))
    warming = kit.frame(kit.full_snapshot(trim=ready))
    settled = kit.frame(kit.full_snapshot(numbers=kit.numbers(settle=None), trim=ready))

    words = _judged(kit.numbers().settle, judgement=ready.judgement)
    before = kit.frame(kit.full_snapshot(trim=replace(ready, turn=None)))

    assert words.endswith("good to 0.20 ppb, still moving: wait")
    assert status_text.direction_words(warming).plain == "high, still moving: wait"
    assert status_text.direction_words(before).plain == "high, still warming: wait"
    assert not progress_rows.hint_words(warming)
    assert status_text.direction_words(settled).plain == "high, bring it down"
    assert progress_rows.hint_words(settled)


def test_no_hint_once_inside():
    """Inside the tolerance no further turn is suggested."""
    made = kit.frame(kit.full_snapshot(trim=kit.trim_now(direction="inside")))

    assert not progress_rows.hint_words(made)


def test_the_tool_is_no_nudge():
    """A step of the tool is not shown as a nudge, and as found is still asked for."""
    made = kit.frame(kit.full_snapshot(trim=kit.trim_now(turn=None), records=None), operator=True)
    text = kit.plain("trim", made, 80, 24)

    assert "no nudge seen yet" in text
    assert "as found: not yet, still warming; a records it all the same" in text


def test_as_found_is_asked_for_before_the_first_nudge():
    """With nothing recorded and nothing turned, the row asks for it."""
    asked = kit.full_snapshot(records=Records(), trim=kit.trim_now(turn=None))
    settled = replace(asked.numbers, settle=Settle("settled", 1.0, None))
    rested = replace(asked, numbers=settled)
    words = progress_rows.standing_lines(kit.frame(rested, operator=True), 80, 1)[0].plain

    assert words == "  as found: not recorded yet; a records it, before the first nudge"


def test_after_a_turn_that_came_too_early_nothing_is_asked_for_as_found():
    """The trimmer was turned before the offset was known: nothing later is as found."""
    asked = kit.full_snapshot(records=Records(), trim=kit.trim_now())
    numbers = replace(asked.numbers, settle=Settle("settled", 1.0, None))
    rested = replace(asked, numbers=numbers)
    words = record_row.records_line(kit.frame(rested, operator=True), 80, 3)[0].plain

    assert words.startswith("  as found: none, turned before it was known")


def test_a_caution_in_an_automatic_record_is_shown_at_once():
    """In the row for answers, on any view; a record without one is not shown there."""
    made = kit.record("as found", 6.93e-9)
    moving = with_cautions(made, ("still moving by more than asked",))
    watch = kit.FakeWatch(kit.full_snapshot(records=Records()))
    screen_state = ScreenState(watch, None, DisplayOptions(), Preferences())
    before = screen_state.frame().message
    watch.shown["main"] = kit.full_snapshot(records=Records(made, as_found_automatic=True))
    without = screen_state.frame().message
    watch.shown["main"] = kit.full_snapshot(records=Records(moving, as_found_automatic=True))

    assert before == without == ""
    assert "as found recorded automatically, +6.930 ± 0.065 ppb" in screen_state.frame().message
    assert screen_state.frame().message.endswith("caution: still moving by more than asked")


def test_landing_comes_first_when_it_happens():
    """Where there is one row, holding and landed take it."""
    holding = LandingNow("holding", 12.0, 30.0, "inside; keep your hands off")
    made = kit.frame(kit.full_snapshot(trim=kit.trim_now(landing=holding)), operator=True)

    assert "12 s of 30 s, inside" in progress_rows.standing_lines(made, 80, 1)[0].plain


def test_landed_offers_the_record_until_it_is_made():
    """The offer to record as left stays until there is one."""
    landed = kit.trim_now(landing=LandingNow("landed", 40.0, 30.0, "inside, hands off"))
    before = kit.frame(kit.full_snapshot(trim=landed), operator=True)
    left = Records(kit.record("as found", 7e-9), as_left=kit.record("as left", 1e-10))
    after = kit.frame(kit.full_snapshot(trim=landed, records=left), operator=True)

    assert "l records it as left" in progress_rows.landing_line(before, 80, 1)[0].plain
    assert "l records" not in progress_rows.landing_line(after, 80, 1)[0].plain


def test_the_budget_shows_every_line_and_what_is_missing():
    """Each contribution with its source, and the missing ones."""
    found = kit.record("as found", 6.93e-9)
    made = kit.frame(kit.snapshot(records=Records(found)))
    text = "\n".join(line.plain for line in record_lines(made, 90))

    assert all(one.name in text for one in found.budget.lines)
    assert all(missing in text for missing in found.budget.missing)
    assert "+6.930 ± 0.065 ppb" in text


def test_the_budget_without_records_is_a_sentence():
    """The page has a sentence."""
    assert "Nothing has been recorded yet." in record_lines(kit.frame(), 60)[-1].plain


def test_a_time_deviation_is_not_drawn_as_a_fraction():
    """Tdev is in seconds and not drawn on an axis of fractions."""
    points = kit.stability().deviations
    times = tuple(replace(one, deviation="tdev") for one in points[:3])
    made = kit.frame(kit.snapshot(stability=StabilityNow(deviations=(*points, *times))))

    assert kinds((*points, *times)) == ["mdev", "oadev"]
    assert {one.deviation for one in shown(made)} == {"oadev"}


def test_elsewhere_shows_ten_times_the_hertz_at_ten_times_the_frequency():
    """The same fraction; x10 in frequency is x10 in hertz and 20 dB."""
    rows = elsewhere(2.5e-9, 1e7, (1e7, 1e8), 1e-10)
    made = kit.frame(kit.snapshot(elsewhere=ElsewhereNow(rows)), view="elsewhere")
    text = kit.plain("elsewhere", made, 100, 24)

    assert "+0.0250 ± 0.0010 Hz" in text
    assert "+0.250 ± 0.010 Hz" in text
    assert "+20.0 dB" in text


def test_a_chosen_unit_is_kept_at_any_size():
    """It is not changed automatically."""
    ranges = AxisState()
    ranges.follow(kit.snapshot(), kit.NOW_S, "ppm")

    assert ranges.unit.name == "ppm"


def test_with_the_tool_on_the_screen_shows_the_way_and_when_to_lift_it():
    """The first touch is shown by its step; inside, whether to lift the tool."""
    first = ToolState(True, 1.0, first=MeanPull(3.02e-9, 1.1e-10, 1))
    ready = Judgement(2e-10, 1.0, 0.0)
    far = kit.trim_now(
        direction="low", judgement=ready, hint=None, tool=first, left=7.2e-9, left_u=2e-10
    )
    settled = replace(kit.numbers(), settle=Settle("settled", 1.0, None))

    def words_of(trim):
        return status_text.direction_words(
            kit.frame(kit.full_snapshot(trim=trim, numbers=settled))
        ).plain

    inside = [replace(far, direction="inside", lift=lift) for lift in (True, False, None)]
    row = progress_rows.tool_line(kit.frame(kit.full_snapshot(trim=far)), 80, 1)[0].plain

    assert words_of(far) == "to go to the aim; bring it up"
    assert [words_of(trim).partition("of the aim")[2] for trim in inside] == [
        ", lift the tool", ", near its edge", "",
    ]  # fmt: skip
    assert row == "  tool on, moved by +3.02 ± 0.11 ppb as it went on; not turned yet? aim for V"
