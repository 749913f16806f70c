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

from benchwatch.errors import QuantityError
from benchwatch.screen.app import BenchwatchApp
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.entry_line import LONGEST_ENTRY, EntryLine, shown_keys
from benchwatch.screen.key_binding import capabilities
from benchwatch.screen.view import picture
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
    """Space is the tool; within a number it is a blank, and a letter is still a key."""
    app = made_app(Typed())
    operator = app.screen_state._watch.operator
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("space")
        touched = list(operator.calls)
        await pilot.press("1", "space", "u")

        assert len(touched) == 1
        assert operator.calls == touched
        assert "fractions in" in app.screen_state.frame().message
        assert "(Hz): 1 " in row_of_entry(app)


async def test_tab_shows_the_next_view_and_shift_tab_the_one_before() -> None:
    """With an entry line and without one; after the last comes the first."""
    for typed in (Typed(), None):
        app = made_app(typed)
        async with app.run_test(size=(80, 24)) as pilot:
            seen = []
            for key in ("tab", "tab", "shift+tab", "shift+tab", "shift+tab"):
                await pilot.press(key)
                seen.append(app.screen_state.view.name)

            assert seen == ["warm_up", "stability", "warm_up", "trim", "notes"]


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


def test_the_footer_names_no_key_that_types() -> None:
    """Digits, plus and minus are left out, and Tab stands for the views."""
    available = capabilities(
        trimmer=False, operator=True, counters=1, playing=False, sound=True, typed=True
    )

    keys = shown_keys(VIEWS.keys_in(VIEWS.tabs[0], available), available)

    names = {name for key in keys for name in key.keys}
    assert names.isdisjoint({*"0123456789", "plus", "minus"})
    assert [key.footer for key in keys if "tab" in key.keys] == ["view"]
    assert "enter" in names


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
    keys = shown_keys(VIEWS.keys_in(view, available), available)
    made = replace(kit.frame(operator=True), entry="10 000 000.0", keys=keys)

    rows = kit.text_of(picture(view, made, width, 36), made).splitlines()

    place = next(at for at, row in enumerate(rows) if "(Hz):" in row)
    assert rows[place].split() == [
        "reading", "741", "(Hz):", "10", "000", "000.0", "newest", "10000000.0246",
    ]  # fmt: skip
    assert rows[place + 1].startswith(" Enter take reading  q quit  h help  ? keys  Tab view")


def test_readings_are_typed_on_a_real_terminal(tmp_path: Path) -> None:
    """Shown at once, kept on disk; q ends it though a number is half typed."""
    terminal = Terminal([*COMMAND, "watch", "-", "--tolerance", "5ppb"], tmp_path)
    with contextlib.closing(terminal):
        terminal.wait_for("reading 1 (Hz):")
        terminal.type(b"10 000 000,09\r")
        terminal.wait_for("from 1 reading")
        terminal.type(b"1000000.1\r")
        terminal.wait_for("nowhere near the nominal of 10 MHz")
        terminal.type(b"\x7f\x7f0.10\r")
        terminal.wait_for("reading 3 (Hz):")
        terminal.type(b"10q")
        code = terminal.end()

    assert code == 0
    assert kept(tmp_path / "benchwatch" / "journal.db") == [10000000.09, 10000000.10]


def test_a_nominal_that_a_mistyped_reading_gave_is_mended(tmp_path: Path) -> None:
    """A digit too few in the first reading: the command sets the nominal, and typing goes on."""
    terminal = Terminal([*COMMAND, "watch", "-", "--no-journal"], tmp_path)
    with contextlib.closing(terminal):
        terminal.wait_for("reading 1 (Hz):")
        terminal.type(b"1000000.09\r")
        terminal.wait_for("newest 1000000.09")
        terminal.type(b"10000000.09\r")
        terminal.wait_for("not taken")
        terminal.type(b":nominal 10MHz\r")
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
