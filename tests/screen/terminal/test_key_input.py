"""Only keys pass the input filter: no size, position or state that the stream reports."""

from importlib.metadata import version

import pytest
from hypothesis import given
from hypothesis import strategies as st
from packaging.version import Version
from textual.events import Key, MouseEvent, Paste
from textual.messages import TerminalSupportsSynchronizedOutput

from benchwatch.screen.terminal.key_input import LONGEST_PASTE, KeyInput

WIDTH, HEIGHT = 120, 36


READS_TEXT = pytest.mark.skipif(
    Version(version("textual")) < Version("8.2.7"),
    reason="before 8.2.7 Textual reads no text of a key, and no terminal sends what it isn't asked",
)


class Clock:
    """A clock that is set by the test."""

    def __init__(self):
        self.now_s = 0.0

    def __call__(self):
        """Return the time."""
        return self.now_s


def made(clock=None, burst=10_000, per_s=0.0, cells=(WIDTH, HEIGHT)):
    """Return an input filter whose clock stands still."""
    return KeyInput(burst=burst, per_s=per_s, cells=cells, clock=clock or Clock())


def names(messages):
    """Return the names of the keys."""
    return [message.key for message in messages]


@pytest.mark.parametrize(
    ("sent", "keys"),
    [
        # xterm's control sequences, PC-style function keys
        ("\x1b[A", ["up"]),
        ("\x1bOB", ["down"]),
        ("\x1b[5~", ["pageup"]),
        ("\x1b[1;5C", ["ctrl+right"]),
        ("\x1b[15~", ["f5"]),
        ("\x1b[[A", ["f1"]),  # the Linux console, console_codes(4)
        ("a\r\x7f\t \x03", ["a", "enter", "backspace", "tab", "space", "ctrl+c"]),
        # the keyboard protocol asked for: code, modifiers, text
        pytest.param("\x1b[113;;113u", ["q"], marks=READS_TEXT),
        ("\x1b[27u", ["escape"]),
        ("\x1b[13u", ["enter"]),
        pytest.param("\x1b[97;2;65u", ["A"], marks=READS_TEXT),
        ("\x1b\x1b[A", ["escape", "up"]),
        ("\x1b1", ["escape", "1"]),  # a line that is cleared, and a number typed at once
        ("\x1b-5", ["escape", "minus", "5"]),
        ("\x1b.5", ["escape", "full_stop", "5"]),
    ],
)
@pytest.mark.parametrize("size", [1, 2, 100])
def test_keys_pass_wherever_they_are_cut(sent, keys, size):
    """Each sequence is one key."""
    typed = made()
    messages = []
    for begin in range(0, len(sent), size):
        messages += typed.feed(sent[begin : begin + size])

    assert names(messages) == keys


@pytest.mark.parametrize(
    "sent",
    [
        "\x1b[48;99999;99999;1;1t",  # a window reports its size
        "\x1b[48;24:1;80:1;1;1t",
        "\x1b[8;99999;99999t",  # XTWINOPS: size in characters
        "\x1b[?2048;1$y",  # sizes can be reported so
        "\x1b[99999;99999R",  # the cursor's position
        "\x1b[I",
        "\x1b[O",  # focus
        "\x1b[9999999u",  # no such character
        "\x1b[55296u",
        "\x1b[97;;55296u",
        "\x1b[97;;7u",
        "\x1b[97:65u",
        "\x1b[<0;1000;5M",  # a button outside
        "\x1b[<0;0;5M",
        "\x1b[M !!",  # the old report of a button
        "\x1b]0;title\x07",
        "\x1bP1$r0m\x1b\\",
        "\x1b[" + "1;" * 1000 + "t",
        "\ud800\x9b\x00"[:2],
        "\x1bq",
    ],
)
@pytest.mark.parametrize("size", [1, 3, 5000])
def test_all_else_is_dropped_whole(sent, size):
    """It has no effect, and the key after it passes."""
    typed = made()
    messages = []
    for begin in range(0, len(sent), size):
        messages += typed.feed(sent[begin : begin + size])
    messages += typed.feed("x")

    assert names(messages) == ["x"]


def test_esc_is_a_key_once_nothing_has_followed():
    """It also begins sequences; after 100 ms it is a key."""
    clock = Clock()
    typed = made(clock)
    at_once = typed.feed("\x1b")
    clock.now_s = 0.2

    assert at_once == []
    assert names(typed.tick()) == ["escape"]
    assert typed.tick() == []


@pytest.mark.parametrize("begun", ["\x1b[", "\x1b[48;9", "\x1b]0;", "\x1bP", "\x1bO", "\x1b[M"])
def test_an_unfinished_sequence_blocks_nothing(begun):
    """After a while the next key passes."""
    clock = Clock()
    typed = made(clock)
    typed.feed(begun)
    clock.now_s = 0.2

    assert names(typed.feed("t")) == ["t"]


@pytest.mark.parametrize("size", [1, 4, 10_000])
def test_a_paste_is_one_message_of_bounded_length(size):
    """Marked text, in pieces: a bounded length of it, without control characters."""
    sent = "\x1b[200~one\x1b[48;9;9;1;1t\x07two\r" + "x" * 5000 + "\x1b[201~q"
    typed = made()
    messages = []
    for begin in range(0, len(sent), size):
        messages += typed.feed(sent[begin : begin + size])
    paste, key = messages

    assert isinstance(paste, Paste)
    assert paste.text.startswith("one[48;9;9;1;1ttwo\rxx")
    assert len(paste.text) <= LONGEST_PASTE
    assert key.key == "q"


def test_a_paste_without_end_ends():
    """A second later keys are keys again."""
    clock = Clock()
    typed = made(clock)
    typed.feed("\x1b[200~half")
    clock.now_s = 2.0
    paste, key = typed.feed("q")

    assert (paste.text, key.key) == ("half", "q")


def test_more_keys_than_hands_type_are_dropped():
    """A token bucket: so many at once, so many a second after."""
    clock = Clock()
    typed = made(clock, burst=10, per_s=5.0)
    first = typed.feed("x" * 4096)
    clock.now_s = 1.0
    second = typed.feed("y" * 4096)

    assert (len(first), len(second)) == (10, 5)


_piece = st.sampled_from(
    ["\x1b", "\x1b[", "\x1b]", "\x1bP", "\x1bO", "\x1b[<", "\x1b[200~", "\x1b[201~", "\x1b[48;",
     ";", ":", "t", "M", "m", "u", "R", "$y", "?2026", "\x07", "\x9b", "\ud800", "99999", "1"]
) | st.text(max_size=6)  # fmt: skip


@given(st.lists(_piece, max_size=30), st.integers(1, 7))
def test_nothing_but_keys_pastes_and_buttons_ever_comes(pieces, size):
    """Any stream gives the same keys however it is cut, and their characters can be encoded."""
    sent = "".join(pieces)
    whole, cut = made(), made()
    messages = whole.feed(sent)
    again = []
    for begin in range(0, len(sent), size):
        again += cut.feed(sent[begin : begin + size])

    assert list(map(repr, messages)) == list(map(repr, again))
    for message in messages:
        assert isinstance(message, (Key, Paste, MouseEvent, TerminalSupportsSynchronizedOutput))
        if isinstance(message, Key):
            (message.character or "").encode()
        if isinstance(message, Paste):
            message.text.encode()
        if isinstance(message, MouseEvent):
            assert 0 <= message.x < WIDTH
            assert 0 <= message.y < HEIGHT
