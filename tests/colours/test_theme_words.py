"""Which theme is taken, by what was asked for and by the environment."""

import os

import pytest

from benchwatch.colours import lines_in_colour, no_color_set, theme_word

XTERM = {"TERM": "xterm-256color"}
NO, FORCE = {"NO_COLOR": "1"}, {"FORCE_COLOR": "1"}


@pytest.mark.parametrize(
    ("asked", "environ", "expected"),
    [
        (None, XTERM, "dark"),
        (None, XTERM | NO, "terminal"),
        (None, XTERM | {"NO_COLOR": ""}, "dark"),
        (None, {"TERM": "dumb"}, "terminal"),
        (None, {"TERM": "dumb"} | FORCE, "dark"),
        (None, XTERM | NO | FORCE, "dark"),
        ("light", XTERM | NO, "light"),
        ("terminal", XTERM | FORCE, "terminal"),
    ],
)
def test_what_is_asked_for_goes_first(asked, environ, expected):
    """What a person asks for, then FORCE_COLOR (force-color.org), then NO_COLOR (no-color.org)."""
    assert theme_word(asked, environ) == expected


@pytest.mark.parametrize(
    ("environ", "is_terminal", "expected"),
    [
        (XTERM, True, True),
        (XTERM, False, False),
        (XTERM | NO, True, False),
        (XTERM | FORCE, False, True),
        (XTERM | {"FORCE_COLOR": ""}, False, False),
        (XTERM | FORCE | NO, False, True),
        ({"TERM": "dumb"}, True, False),
        ({"TERM": "xterm"}, True, False),
        ({"TERM": "xterm", "COLORTERM": "truecolor"}, True, True),
        ({}, True, False),
    ],
)
def test_lines_are_coloured_on_a_terminal_or_by_force(environ, is_terminal, expected):
    """FORCE_COLOR colours a pipe too (force-color.org); an empty variable counts as not set."""
    assert lines_in_colour(environ, is_terminal=is_terminal) is expected


@pytest.mark.parametrize("before", [None, "", "1"])
@pytest.mark.parametrize(("refused", "within"), [(True, "1"), (False, None)])
def test_the_variable_is_set_or_hidden_and_comes_back(monkeypatch, before, refused, within):
    """As it was, also after an error."""
    if before is None:
        monkeypatch.delenv("NO_COLOR", raising=False)
    else:
        monkeypatch.setenv("NO_COLOR", before)

    with no_color_set(refused):
        assert os.environ.get("NO_COLOR") == within
    assert os.environ.get("NO_COLOR") == before

    with pytest.raises(KeyError), no_color_set(refused):
        os.environ["NO_SUCH_VARIABLE_OF_BENCHWATCH"]
    assert os.environ.get("NO_COLOR") == before
