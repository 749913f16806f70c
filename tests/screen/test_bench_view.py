"""The bench view: what is selected, how a counter is opened, and the way back."""

from dataclasses import replace

import bench_kit
import pytest
import screen_kit as kit
from sound_kit import FakeSound
from textual.pilot import Pilot

from benchwatch.counter import LinkStatus
from benchwatch.errors import UsageError
from benchwatch.estimate.results import Settle
from benchwatch.screen.app import BenchwatchApp
from benchwatch.screen.counter_number import CounterNumber, TypedNumber
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.panels.bench_table import bench_table, counter_at, first_shown
from benchwatch.screen.panels.shared_rows import unit_line
from benchwatch.screen.typed_commands import CounterChoice, CounterCommand, suggestions
from benchwatch.screen.view import picture
from benchwatch.screen.views.view_list import VIEWS
from benchwatch.snapshot import Snapshot

BENCH = VIEWS.named("bench")
LOST = LinkStatus("lost", kit.NOW_S - 1.0, "the cable is out")
NAMES = ("ten", "five", "spare")


def watch_of(*shown: Snapshot) -> kit.FakeWatch:
    """Make a watch of these counters; of three in order without any."""
    return kit.FakeWatch(*(shown or map(bench_kit.counter, NAMES)))


def made_app(watch: kit.FakeWatch, *, view: str = "", **changes: object) -> BenchwatchApp:
    """Return an app that redraws only on request."""
    options = DisplayOptions(theme=Theme(), state=None, view=view)
    return BenchwatchApp(watch, options=options, every_s=None, **changes)  # type: ignore[arg-type]


def text_of(app: BenchwatchApp) -> str:
    """Return the text of the view."""
    return "\n".join(row.plain.rstrip() for row in app.view_widget.lines)


def shown(app: BenchwatchApp) -> tuple[str, str]:
    """Return the name of the view, and the counter that is shown or selected."""
    return app.screen_state.view.name, app.screen_state.frame().snapshot.counter


async def after(pilot: Pilot[None], *keys: str) -> tuple[str, str]:
    """Press keys; return what is shown then."""
    await pilot.press(*keys)
    await pilot.pause()
    app = pilot.app
    assert isinstance(app, BenchwatchApp)
    return shown(app)


async def test_with_several_counters_the_screen_opens_on_the_bench() -> None:
    """With one counter there is no such view, no tab and no key of it."""
    several, one = made_app(watch_of()), made_app(watch_of(bench_kit.counter("ten")))
    async with several.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        names = [row.split()[1] for row in text_of(several).splitlines()[4:7]]
    async with one.run_test(size=(80, 24)) as pilot:
        alone = await after(pilot, "0", "n", "enter", "pageup", "end")
        text = text_of(one)

    assert tuple(names) == ("ten", "five", "spare")
    assert alone[0] in {"trim", "warm_up"}
    assert "Bench" not in text


async def test_a_bench_view_of_one_counter_is_refused_in_a_sentence() -> None:
    """The screen opens as usual."""
    app = made_app(watch_of(bench_kit.counter("ten")), view="bench")

    assert app.screen_state.frame().message == "the view bench needs two counters or more"
    assert app.screen_state.view.name == "trim"


async def test_the_selection_follows_the_counter_while_rows_are_sorted() -> None:
    """Before a row is chosen the top one is selected; from then on the counter."""
    watch = watch_of()
    app = made_app(watch)
    async with app.run_test(size=(80, 24)) as pilot:
        watch.shown["spare"] = replace(watch.shown["spare"], link=LOST)
        app.redraw()
        worst = shown(app)
        chosen = await after(pilot, "down")
        watch.shown["five"] = replace(watch.shown["five"], link=LOST)
        app.redraw()
        rows = [row.split() for row in text_of(app).splitlines()[4:7]]

        assert worst == ("bench", "spare")
        assert chosen == shown(app) == ("bench", "ten")
        assert [row[1] if row[0] != ">1" else "ten" for row in rows] == ["five", "spare", "ten"]
        assert rows[2][0] == ">1"


async def test_enter_opens_the_selected_counter_and_0_leads_back_to_it() -> None:
    """Esc too; the ends of the list stop the selection."""
    app = made_app(watch_of())
    async with app.run_test(size=(80, 24)) as pilot:
        assert await after(pilot, "down", "enter") == ("trim", "five")
        assert await after(pilot, "0") == ("bench", "five")
        assert await after(pilot, "end", "down", "enter") == ("trim", "spare")
        assert await after(pilot, "escape") == ("bench", "spare")
        assert await after(pilot, "pageup", "up") == ("bench", "ten")
        assert await after(pilot, "home", "pagedown") == ("bench", "spare")


async def test_a_digit_opens_one_of_nine_at_once() -> None:
    """By the order of the bench; a digit without a counter says which there are."""
    app = made_app(watch_of())
    async with app.run_test(size=(80, 24)) as pilot:
        refused = await after(pilot, "7")
        said = text_of(app)

        assert refused[0] == "bench"
        assert "there is no counter 7: type 1 to 3" in said
        assert await after(pilot, "3") == ("trim", "spare")
        assert await after(pilot, "5") == ("notes", "spare")


async def test_the_number_of_a_counter_that_only_just_joined_is_typed() -> None:
    """Before the next picture it is no counter of the screen yet, and refused as such."""
    watch = watch_of()
    app = made_app(watch)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        watch.shown["later"] = bench_kit.counter("later")
        app.screen_state.type_key("4", "4")
        app.screen_state.frame()
        app.screen_state.type_key("4", "4")

        assert await after(pilot) == ("trim", "later")


async def test_digits_are_gathered_among_more_than_nine() -> None:
    """Shown while they are typed; opened by Enter, or once the number can be no other."""
    app = made_app(watch_of(*bench_kit.many(120)))
    async with app.run_test(size=(80, 24)) as pilot:
        typing = await after(pilot, "1")
        said = text_of(app)

        assert typing == ("bench", "c1")
        assert "counter 1 of 120: Enter opens it, or type its next digit" in said
        assert await after(pilot, "2", "enter") == ("trim", "c12")
        assert await after(pilot, "0", "1", "2", "0") == ("trim", "c120")
        assert await after(pilot, "0", "4", "5") == ("trim", "c45")
        assert await after(pilot, "0", "1", "1", "backspace", "enter") == ("trim", "c1")
        assert await after(pilot, "0", "1", "escape", "down") == ("bench", "c2")


@pytest.mark.parametrize(
    ("counters", "keys", "typed"),
    [
        (9, "9", TypedNumber(belongs=True, number=9, complete=True)),
        (10, "1", TypedNumber(belongs=True, number=1)),
        (19, "2", TypedNumber(belongs=True, number=2, complete=True)),
        (200, "20", TypedNumber(belongs=True, number=20)),
        (200, "21", TypedNumber(belongs=True, number=21, complete=True)),
        (200, "0", TypedNumber()),
        (12, "13", TypedNumber(belongs=True, refused="there is no counter 13: type 1 to 12")),
    ],
)
def test_a_number_is_complete_once_it_can_be_no_other(
    counters: int, keys: str, typed: TypedNumber
) -> None:
    """20 of 200 may become 200, 21 can't become anything; 0 begins no number."""
    number = CounterNumber()
    results = [number.type(key, counters) for key in keys]

    assert results[-1] == typed


async def test_n_and_capital_n_step_through_the_bench_in_the_same_view() -> None:
    """Around its ends, in the order of the bench and not of the rows."""
    watch = watch_of()
    watch.shown["spare"] = replace(watch.shown["spare"], link=LOST)
    app = made_app(watch)
    async with app.run_test(size=(80, 24)) as pilot:
        steps = [await after(pilot, key) for key in ("1", "3", "n", "n", "n", "N", "N")]

    order = ("ten", "ten", "five", "spare", "ten", "spare", "five")
    views = ("trim", *["stability"] * 6)
    assert steps == list(zip(views, order, strict=True))


async def test_a_step_keeps_the_view_that_the_state_chose() -> None:
    """One that warms up was opened: the settled one is seen on Warm-up too, until it changes."""
    watch = watch_of(bench_kit.counter("ten", settle=bench_kit.WARMING), bench_kit.counter("five"))
    app = made_app(watch)
    async with app.run_test(size=(80, 24)) as pilot:
        opened = await after(pilot, "1")
        stepped = await after(pilot, "n")
        watch.shown["ten"] = bench_kit.counter("ten")
        back = await after(pilot, "N")

    assert (opened, stepped, back[1]) == (("warm_up", "ten"), ("warm_up", "five"), "ten")


async def test_the_command_counter_opens_one_by_name_or_unit() -> None:
    """From the bench and from another counter's view, which stays."""
    app = made_app(watch_of(*bench_kit.every_state()))
    async with app.run_test(size=(80, 24)) as pilot:
        by_name = await after(pilot, "colon", *"counter spa", "enter")
        by_unit = await after(pilot, "4", "colon", *"count 0418", "enter")

    assert by_name == ("warm_up", "spare")
    assert by_unit == ("elsewhere", "five")


def test_the_counter_that_is_named_exactly_comes_first() -> None:
    """Then those that begin with the word, then those that hold it, also in their unit."""
    choices = [CounterChoice(name) for name in ("often", "tenth", "ten")]
    choices.append(CounterChoice("five", "tent\x1b[2J", "ok"))
    found = suggestions("counter ten", VIEWS, BENCH, (), choices)
    commands = [one.command for one in found if isinstance(one.command, CounterCommand)]

    assert [one.name for one in commands] == ["ten", "tenth", "five", "often"]
    assert all(one.text.isprintable() for one in found)
    assert suggestions("counter", VIEWS, BENCH, (), choices)[0].command is None


async def test_a_row_is_opened_by_a_tap() -> None:
    """As a page in a browser sends it; the heads of the columns and blank rows open nothing."""
    app = made_app(watch_of())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        for y in (3, 9):
            await pilot.click(app.view_widget, offset=(30, y))
        untouched = shown(app)
        await pilot.click(app.view_widget, offset=(30, 6))
        await pilot.pause()
        opened = shown(app)
        row = text_of(app).splitlines()[1]
        await pilot.click(app.view_widget, offset=(row.index("Bench"), 1))
        await pilot.pause()

        assert untouched[0] == "bench"
        assert opened == ("trim", "spare")
        assert shown(app) == ("bench", "spare")


async def test_arrows_select_on_the_bench_and_turn_on_the_trim() -> None:
    """Nothing is turned from the bench, and no tool is put on."""
    trimmer = kit.FakeTrimmer()
    app = made_app(watch_of(), trimmer=trimmer)
    async with app.run_test(size=(80, 24)) as pilot:
        await after(pilot, "down", "left", "right", "space", "up", "down")
        turned = trimmer.turns[:]
        await after(pilot, "enter", "up")

    assert (turned, trimmer.tool) == ([], [])
    assert [name for name, _ in trimmer.turns] == ["five"]


async def test_in_a_recording_up_and_down_select_on_the_bench() -> None:
    """In a counter's view they change the speed, as ever."""
    playback = kit.FakeTransport()
    app = made_app(watch_of(), playback=playback)
    async with app.run_test(size=(80, 24)) as pilot:
        selected = await after(pilot, "down", "end", "left")
        before = playback.calls[:]
        await after(pilot, "enter", "down")

    assert selected == ("bench", "spare")
    assert before == [("seek", 90.0)]
    assert playback.calls[1:] == [("speed", -1)]


async def test_typed_readings_among_several_go_onto_the_line_of_their_view() -> None:
    """On the bench digits open; on the view they are typed, and Esc on an empty line leads back."""
    watch, typed = watch_of(), []
    watch.enter = typed.append
    app = made_app(watch)
    async with app.run_test(size=(80, 24)) as pilot:
        opened = await after(pilot, "2")
        text = await after(pilot, "1", "0", "enter")
        cleared = await after(pilot, "1", "escape")
        back = await after(pilot, "escape")
        bench = text_of(app)

    assert opened == text == cleared == ("trim", "five")
    assert typed == ["10"]
    assert back == ("bench", "five")
    assert "type" not in bench.splitlines()[-3]


async def test_a_wrong_typed_reading_stays_on_the_line_of_its_counter() -> None:
    """Another counter's line is empty."""

    def refuse(_text: str) -> None:
        raise UsageError("that is no reading.")

    watch = watch_of()
    watch.enter = refuse
    app = made_app(watch)
    async with app.run_test(size=(80, 24)) as pilot:
        await after(pilot, "2", "1", "0", "enter", "escape", "n")

        assert app.screen_state.frame().entry == ""


async def test_sound_follows_the_counter_that_is_looked_at() -> None:
    """The selected one on the bench, else the one shown."""
    watch = watch_of(*(bench_kit.counter(n, 1e-12 * at) for at, n in enumerate(NAMES, 1)))
    app = made_app(watch, sound=FakeSound)
    async with app.run_test(size=(80, 24)) as pilot:
        heard = []
        for key in ("home", "down", "enter", "n"):
            await after(pilot, key)
            heard.append(app._sound.offsets[-1][0])  # type: ignore[union-attr]

    assert heard == [1e-12, 2e-12, 2e-12, 3e-12]


async def test_the_bell_rings_once_for_each_counter_that_settles() -> None:
    """Whichever is shown; a line says which; an unsure verdict in between rings no more."""
    watch = watch_of(*(bench_kit.counter(name, settle=bench_kit.WARMING) for name in NAMES))
    app, rings = made_app(watch), []
    app.bell = lambda: rings.append(1)  # type: ignore[method-assign]
    async with app.run_test(size=(80, 24)) as pilot:
        await after(pilot, "1")
        before = len(rings)
        for settle in (bench_kit.SETTLED, Settle("unsure", None, None), bench_kit.SETTLED):
            watch.shown["spare"] = bench_kit.counter("spare", settle=settle)
            app.redraw()
        said = text_of(app)

    assert (before, len(rings)) == (0, 1)
    assert "spare: has settled" in said


def test_every_row_can_be_reached_and_is_in_sight() -> None:
    """200 counters at any height: the selected row is drawn, and a tap on it names it."""
    counters = bench_kit.many(200)
    for rows in (4, 17, 29, 200, 201):
        for name in ("c1", "c70", "c99", "c200"):
            made = bench_kit.bench_frame(counters, name)
            drawn = bench_table(made, 80, rows)
            (y,) = [at for at, row in enumerate(drawn) if row.plain.startswith(">")]

            assert len(drawn) <= rows
            assert counter_at(made, y, rows) == name
            assert counter_at(made, 0, rows) is None
            assert 0 <= first_shown(made, rows) < 200


def test_signs_and_points_stand_below_each_other() -> None:
    """Of offset and u, whatever their sizes and decimals."""
    made = bench_kit.bench_frame(bench_kit.every_state())
    rows = [row.plain for row in bench_table(made, 80, 20)[1:] if "±" in row.plain]
    signs = {min(row.find(sign) for sign in "+-" if sign in row) for row in rows}
    points = {row.index(".") for row in rows}

    assert len(signs) == len(points) == 1
    assert len({row.index("±") for row in rows}) == 1


HOSTILE = ("\x1b[31mred\x1b[0m", "[bold]x[/bold]", "n\u0301\u0301\u0301", "\u7dda" * 20, "a" * 300)


@pytest.mark.parametrize("ascii_only", [False, True])
@pytest.mark.parametrize("size", [(60, 18), (80, 24), (120, 36)])
def test_names_and_reasons_from_outside_are_harmless(
    size: tuple[int, int], ascii_only: bool
) -> None:
    """Escapes, markup, combining and wide signs, and what is long: each row keeps its width."""
    counters = [bench_kit.counter(name, unit=name[::-1]) for name in HOSTILE]
    counters.append(
        bench_kit.counter(
            "later", reading=None, link=LinkStatus("connecting", 1.0, "\x1b[2J" + "why " * 90)
        )
    )
    counters[0] = replace(counters[0], link=LOST)
    made = bench_kit.bench_frame(counters, theme=Theme(ascii=ascii_only))
    rows = picture(BENCH, made, *size)

    assert all(row.width == size[0] for row in rows)
    assert all(row.plain.isprintable() for row in rows)
    assert not ascii_only or all(made.theme.text(row.plain).isascii() for row in rows)


@pytest.mark.parametrize("view", [view.name for view in VIEWS.views])
@pytest.mark.parametrize("size", [(60, 18), (80, 24), (120, 36)])
def test_the_worst_trouble_of_others_is_in_the_top_row_of_every_view(
    view: str, size: tuple[int, int]
) -> None:
    """Beside the longest ident that is shown, too."""
    counters = bench_kit.every_state()
    counters[0] = bench_kit.counter("ten", unit="tide gauge station 0417 b")
    made = bench_kit.bench_frame(counters, "ten", view)

    assert "field lost" in picture(VIEWS.named(view), made, *size)[0].plain


def test_the_names_of_all_views_stand_at_80_columns() -> None:
    """Also with several counters and the longest of the run's times."""
    made = bench_kit.bench_frame(bench_kit.every_state(), "ten", "stability", now_s=360_000.0)
    row = picture(VIEWS.named("stability"), made, 80, 24)[1].plain

    assert all(f"{view.key} {view.title}" in row for view in VIEWS.tabs)
    assert "100:00:00" in row


def test_more_troubles_are_named_where_there_is_room() -> None:
    """From the worst and a number to all of them."""
    made = bench_kit.bench_frame(bench_kit.every_state(), "ten", "trim")
    texts = [unit_line(made, width, 1)[0].plain for width in (80, 120, 200)]

    assert "field lost, 5 more" in texts[0]
    assert "field lost, pulse silent, later not there yet, 2 outside, 1 more" in texts[1]
    assert "2 outside, own own time base" in texts[2]
