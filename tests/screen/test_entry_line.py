"""The entry line on which a person types readings, and the keys beside it."""

import contextlib
from dataclasses import replace
from pathlib import Path

import pytest
import screen_kit as kit
from hypothesis import given
from hypothesis import strategies as st
from journal_kit import kept
from load_kit import LONGEST_WAIT_S
from program_kit import COMMAND
from terminal_kit import Terminal
from textual.keys import key_to_character

from benchwatch.errors import QuantityError
from benchwatch.screen.app import BenchwatchApp
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.entry_line import LONGEST_ENTRY, EntryLine, shown_keys
from benchwatch.screen.key_binding import capabilities
from benchwatch.screen.view import View, picture
from benchwatch.screen.views.view_list import VIEWS

pytestmark = pytest.mark.long


class Typed:
    """Takes typed lines as a counter's handle does; 777 is refused."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def __call__(self, line: str) -> None:
        """Take a line, or refuse it with a sentence."""
        if not line.strip():
            raise QuantityError("nothing was typed. Type what the counter shows.")
        if line == "777":
            raise QuantityError("'777' is nowhere near.")
        self.lines.append(line)


def made_app(typed: Typed | None) -> BenchwatchApp:
    """Return an app that redraws only on request; `typed` takes the readings."""
    watch = kit.FakeWatch()
    watch.operator = kit.FakeOperator()
    watch.enter = typed
    options = DisplayOptions(theme=Theme(), state=None, view="trim")
    return BenchwatchApp(watch, options=options, every_s=None)


def row_of_entry(app: BenchwatchApp) -> str:
    """Return the entry line as it is on the screen; empty: there is none."""
    app.redraw()
    rows = [row.plain for row in app.view_widget.lines]
    return next((row.strip() for row in rows if "(Hz):" in row), "")


async def test_a_number_and_enter_is_a_reading() -> None:
    """Digits, marks and blanks go to the line, and Enter takes it."""
    typed = Typed()
    app = made_app(typed)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(*"10", "space", *"000", "space", *"000", "full_stop", *"09")
        shown = row_of_entry(app)
        await pilot.press("enter")

        assert "(Hz): 10 000 000.09" in shown
        assert typed.lines == ["10 000 000.09"]
        assert "10 000" not in row_of_entry(app)
        assert app.screen_state.view.name == "trim"


async def test_a_wrong_number_stays_to_be_mended() -> None:
    """The sentence is shown; Backspace takes back a character, Esc all."""
    app = made_app(Typed())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("enter")
        refused = app.screen_state.frame().message
        await pilot.press(*"123", "backspace")
        mended = row_of_entry(app)
        await pilot.press("escape")

        assert "nothing was typed" in refused
        assert "(Hz): 12 " in mended
        assert "12" not in row_of_entry(app).partition("newest")[0].partition("(Hz):")[2]


async def test_a_number_typed_after_a_refused_one_takes_its_place() -> None:
    """A person types the whole number again; who wants to mend the old one presses Backspace."""
    typed = Typed()
    app = made_app(typed)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(*"777", "enter", *"10", "enter")
        again = list(typed.lines)
        await pilot.press(*"777", "enter")
        refused = row_of_entry(app)
        await pilot.press("backspace", *"8", "enter")

        assert again == ["10"]
        assert "777  not taken" in refused
        assert typed.lines == ["10", "778"]


async def test_letters_and_a_blank_on_an_empty_line_are_keys_of_the_view() -> None:
    """Space is the tool and u the unit; behind a digit both go onto the line."""
    app = made_app(Typed())
    operator = app.screen_state._watch.operator
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("space")
        touched = list(operator.calls)
        await pilot.press("u")
        chosen = app.screen_state.preferences.unit
        await pilot.press("1", "space", "u")

        assert len(touched) == 1
        assert operator.calls == touched
        assert chosen
        assert app.screen_state.preferences.unit == chosen
        assert "(Hz): 1 u " in row_of_entry(app)


async def test_a_unit_is_typed_behind_the_number() -> None:
    """Its letters are keys of the view on an empty line only; z, x and q change nothing either."""
    typed = Typed()
    app = made_app(typed)
    async with app.run_test(size=(80, 24)) as pilot:
        span_s = app.screen_state.preferences.span_s
        await pilot.press(*"10.00000012", "space", *"MHz", "enter", *"1e7xlaq?:", "enter")

        assert typed.lines == ["10.00000012 MHz", "1e7xlaq?:"]
        assert app.screen_state.preferences.span_s == span_s
        assert app.screen_state._watch.operator.calls == []
        assert not app.ending


async def test_a_unit_is_added_to_a_refused_number() -> None:
    """A digit would begin the line anew; a blank or a letter does not."""
    typed = Typed()
    app = made_app(typed)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(*"777", "enter", "space", *"kHz", "enter")

        assert typed.lines == ["777 kHz"]


@pytest.mark.parametrize(("key", "kind"), [("l", "as left"), ("a", "as found")])
async def test_a_slip_of_a_letter_for_a_digit_makes_no_record(key: str, kind: str) -> None:
    """What is typed behind it goes into the question, and is no yes; y records."""
    typed = Typed()
    app = made_app(typed)
    operator = app.screen_state._watch.operator
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(key, *"0000000.12", "enter")
        slipped = app.screen_state.frame().message
        await pilot.press(key, "n", "enter")
        denied = app.screen_state.frame().message
        await pilot.press(key, "escape")
        before = list(operator.calls)
        await pilot.press(key, "y", "enter")

        assert slipped == (
            f"nothing was recorded {kind}, and no reading taken: 0000000.12 is neither y nor n"
        )
        assert denied == f"nothing was recorded {kind}"
        assert before == []
        assert typed.lines == []
        assert [call[:3] for call in operator.calls] == [("record", "main", kind)]


async def test_where_nothing_is_typed_a_record_is_made_at_once() -> None:
    """The question is for the entry line only."""
    app = made_app(None)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("l")

        assert [call[:3] for call in app.screen_state._watch.operator.calls] == [
            ("record", "main", "as left")
        ]


async def test_q_ends_it_on_an_empty_line_only() -> None:
    """Esc clears the line first; Ctrl-D ends it anyhow."""
    app = made_app(Typed())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("1", "q")
        kept = app.ending
        await pilot.press("escape", "q")

        assert not kept
        assert app.ending


async def test_tab_shows_the_next_view_and_shift_tab_the_one_before() -> None:
    """With an entry line and without one; after the last comes the first."""
    for typed in (Typed(), None):
        app = made_app(typed)
        async with app.run_test(size=(80, 24)) as pilot:
            seen = []
            for key in ("tab", "tab", "shift+tab", "shift+tab", "shift+tab"):
                await pilot.press(key)
                seen.append(app.screen_state.view.name)

            assert seen == ["warm_up", "stability", "warm_up", "trim", "chain"]


async def test_digits_choose_views_where_nothing_is_typed() -> None:
    """Without typed readings there is no entry line, and Enter does nothing."""
    app = made_app(None)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("2", "enter")

        assert app.screen_state.view.name == "warm_up"
        assert row_of_entry(app) == ""


async def test_a_view_is_still_reached_by_a_typed_command() -> None:
    """``:`` opens the command line, whose digits are not those of the entry line."""
    app = made_app(Typed())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("colon", *"warm-up", "enter")

        assert app.screen_state.view.name == "warm_up"


@given(
    begin=st.sampled_from("0123456789+-.,"),
    rest=st.text(st.characters(exclude_categories=["C", "Zl", "Zp"]), max_size=LONGEST_ENTRY - 1),
)
def test_a_line_that_has_begun_takes_every_printable_key(begin: str, rest: str) -> None:
    """As it was typed, and without the keys that type nothing."""
    entry = EntryLine()

    taken = [entry.take(character, character) for character in begin + rest]
    ignored = [entry.take(*key) for key in (("tab", "\t"), ("ctrl+d", "\x04"), ("enter", "\r"))]

    assert all(taken)
    assert not any(ignored)
    assert entry.text == begin + rest


@pytest.mark.parametrize("view", VIEWS.views, ids=lambda view: view.name)
def test_the_keys_beside_a_half_typed_line_type_nothing(view: View) -> None:
    """In no view is a key named that would go onto the line; the terminal library names each."""
    available = capabilities(
        trimmer=True, operator=True, counters=2, playing=False, sound=True, typed=True
    )

    keys = shown_keys(VIEWS.keys_in(view, available), available, "1")

    names = [name for key in keys for name in key.keys]
    assert {"enter", "escape", "tab", "ctrl+d", "ctrl+p"} <= set(names)
    assert all(len(name) > 1 for name in names)
    assert not any((key_to_character(name) or "\n").isprintable() for name in names)
    assert {"plus", "minus"}.isdisjoint(names)


def test_the_footer_names_no_key_that_types() -> None:
    """Digits, plus and minus are left out, Tab stands for the views, and records are asked for."""
    available = capabilities(
        trimmer=False, operator=True, counters=1, playing=False, sound=True, typed=True
    )

    keys = shown_keys(VIEWS.keys_in(VIEWS.named("trim"), available), available)

    names = {name for key in keys for name in key.keys}
    assert names.isdisjoint({*"0123456789", "plus", "minus"})
    assert [key.footer for key in keys if "tab" in key.keys] == ["view"]
    assert "enter" in names
    assert "escape" not in names
    assert {key.footer for key in keys} >= {"as found?", "as left?"}


@given(pasted=st.text(max_size=10_000))
def test_any_paste_leaves_a_short_printable_line(pasted: str) -> None:
    """Escapes, other lines and what is too long are not put on the screen."""
    entry = EntryLine()

    entry.paste(pasted)

    assert entry.text.isprintable()
    assert len(entry.text) <= LONGEST_ENTRY


def test_of_a_paste_the_first_line_is_kept() -> None:
    """And it is said that there were more."""
    entry = EntryLine()

    more = entry.paste("10000000.09 Hz\n10000000.10 Hz\n")

    assert more
    assert entry.text == "10000000.09 Hz"


@pytest.mark.parametrize("entry", ["", "10 000 000.0", "\x1b[2J\N{GRINNING FACE}", "1" * 65])
@pytest.mark.parametrize("size", [(60, 18), (80, 24), (120, 36)])
@pytest.mark.parametrize("ascii_only", [False, True])
def test_the_entry_line_fits_every_screen(
    entry: str, size: tuple[int, int], ascii_only: bool
) -> None:
    """In one row, with no control characters, in every view."""
    theme = Theme(ascii=ascii_only)
    for view in VIEWS.views:
        made = replace(kit.frame(), entry=entry, theme=theme)
        rows = kit.plain(view.name, made, *size).splitlines()

        shown = [row for row in rows if "(Hz):" in row]
        assert len(shown) == 1
        assert len(rows) <= size[1]
        assert all(row.isprintable() for row in rows)


@pytest.mark.parametrize("width", [80, 120])
def test_the_last_rows_show_what_is_typed_and_which_keys_work(width: int) -> None:
    """The entry line with half a reading, and the footer below it, in the trim view."""
    available = capabilities(
        trimmer=False, operator=True, counters=1, playing=False, sound=False, typed=True
    )
    view = VIEWS.named("trim")
    keys = shown_keys(VIEWS.keys_in(view, available), available, "10 000 000.0")
    made = replace(kit.frame(operator=True), entry="10 000 000.0", keys=keys)

    rows = kit.text_of(picture(view, made, width, 36), made).splitlines()

    place = next(at for at, row in enumerate(rows) if "(Hz):" in row)
    assert rows[place].split() == [
        "reading", "741", "(Hz):", "10", "000", "000.0", "newest", "10000000.0246",
    ]  # fmt: skip
    shown = " ".join(" ".join(rows[place + 1 :]).split())
    assert shown == (
        "Enter take reading Esc clear Tab view Ctrl-D quit Ctrl-P command "
        "letters go onto the line until it is empty"
    )


def test_readings_are_typed_on_a_real_terminal(tmp_path: Path) -> None:
    """Shown at once, kept on disk; Ctrl-D ends it though a number is half typed."""
    terminal = Terminal([*COMMAND, "watch", "-", "--tolerance", "5ppb"], tmp_path)
    with contextlib.closing(terminal):
        terminal.wait_for("reading 1 (Hz):")
        terminal.type(b"10 000 000,09\r")
        terminal.wait_for("from 1 reading")
        terminal.type(b"1000000.1\r")
        terminal.wait_for("nowhere near the nominal of 10 MHz")
        terminal.type(b"\x7f\x7f0.10\r")
        terminal.wait_for("reading 3 (Hz):")
        terminal.type(b"10\x04")
        code = terminal.end()

    assert code == 0
    assert kept(tmp_path / "benchwatch" / "journal.db") == [10000000.09, 10000000.10]


def test_a_number_that_may_be_cut_is_taken_with_enter_once_more(tmp_path: Path) -> None:
    """It stays on the line with the reason, and nothing is recorded before the second Enter."""
    terminal = Terminal([*COMMAND, "watch", "-", "--nominal", "10MHz"], tmp_path)
    with contextlib.closing(terminal):
        terminal.wait_for("reading 1 (Hz):")
        terminal.type(b"10000000.09\r")
        terminal.wait_for("newest 10000000.09")
        terminal.type(b"10000000\r")
        terminal.wait_for("ends 2 digits before")
        terminal.wait_for("reading 2 (Hz): 10000000  not taken")
        terminal.type(b"\r")
        terminal.wait_for("reading 3 (Hz):")
        terminal.type(b"q")

        assert terminal.end() == 0
    assert kept(tmp_path / "benchwatch" / "journal.db") == [10000000.0, 10000000.09]


def test_a_nominal_that_a_mistyped_reading_gave_is_mended(tmp_path: Path) -> None:
    """A digit too few in the first reading: Ctrl-P sets the nominal, and typing goes on."""
    terminal = Terminal([*COMMAND, "watch", "-", "--no-journal"], tmp_path)
    with contextlib.closing(terminal):
        terminal.wait_for("reading 1 (Hz):")
        terminal.type(b"1000000.09\r")
        terminal.wait_for("newest 1000000.09")
        terminal.type(b"10000000.09\r")
        terminal.wait_for("not taken")
        terminal.type(b"\x10nominal 10MHz\r")
        terminal.wait_for("main 10 MHz")
        terminal.type(b"10000000.09\r")
        terminal.wait_for("newest 10000000.09")
        terminal.type(b"q")

        assert terminal.end() == 0


@pytest.mark.parametrize(
    "typed",
    [
        b"1" * 3_000,
        b"\x1b[200~" + b"9" * 10_000 + b"\n\x1b[201~",
        b"\x1b[2J\x1b]0;x\x07\x1bP1;2\x1b\\",
        "\N{GRINNING FACE}\N{RIGHT-TO-LEFT OVERRIDE}".encode(),
        b"\x00\xff\xfe",
    ],
)
def test_what_no_person_types_does_no_harm(tmp_path: Path, typed: bytes) -> None:
    """No reading comes of it, and the next one that is typed is taken."""
    terminal = Terminal([*COMMAND, "watch", "-", "--nominal", "10MHz"], tmp_path)
    with contextlib.closing(terminal):
        terminal.wait_for("reading 1 (Hz):")
        terminal.type(typed + b"\r")
        terminal.wait_for("reading 1 (Hz):")
        terminal.type(b"\x15" + b"\x7f" * 70 + b"10000000.09\r")
        terminal.wait_for("from 1 reading", LONGEST_WAIT_S)
        terminal.type(b"q")
        terminal.end()

    assert kept(tmp_path / "benchwatch" / "journal.db") == [10000000.09]
