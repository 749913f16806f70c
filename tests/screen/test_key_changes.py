"""Other keys for the screen's actions: what they do, how they are shown, what is refused."""

import re
from typing import get_args

import pytest
import screen_kit as kit

from benchwatch.configuration import read_key_name
from benchwatch.errors import UsageError
from benchwatch.screen import text_pages
from benchwatch.screen.app import BenchwatchApp
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.key_binding import Capability
from benchwatch.screen.key_changes import FIXED_KEYS, changeable, with_changed_keys
from benchwatch.screen.view import own_labels
from benchwatch.screen.views.view_list import VIEWS

FILE = "config.toml"
ALL = frozenset(get_args(Capability)) - {"player"}


def names(**keys: str):
    """Return keys by ids of actions; several are separated by blanks."""
    return {id_: tuple(map(read_key_name, text.split(" "))) for id_, text in keys.items()}


def app_with(**keys: str) -> BenchwatchApp:
    """Return an app with other keys."""
    options = DisplayOptions(theme=Theme(), state=None, view="trim", keys=names(**keys))
    return BenchwatchApp(kit.FakeWatch(), options=options, every_s=None)


def text_of(app: BenchwatchApp) -> str:
    """Return the text of the view."""
    return "\n".join(row.plain for row in app.view_widget.lines)


async def test_the_other_key_acts_and_the_usual_one_does_not():
    """With unit on y, y changes the unit, u nothing, and the footer shows y."""
    app = app_with(unit="y")
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("u")
        before = app.screen_state.preferences.unit
        await pilot.press("y")
        after = app.screen_state.preferences.unit
        footer = " ".join(text_of(app).splitlines()[-2:])

        assert (before, after) == ("", "ppm")
        assert "y ppb" in footer
        assert "u ppb" not in footer


async def test_keys_can_be_exchanged():
    """Two actions may exchange their keys; each does what it should."""
    app = app_with(leave="u", unit="q")
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("q")

        assert app.screen_state.preferences.unit == "ppm"
        assert not app.ending
        await pilot.press("u")
        assert app.ending


async def test_pages_and_tabs_work_with_other_keys():
    """Help opens and closes by its new key."""
    app = app_with(explain="F1", next_view="y")
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("f1")
        opened = len(app.screen_stack)
        await pilot.press("escape")
        await pilot.press("y")

        assert opened == 2
        assert app.screen_state.view.name != "trim"


def test_help_and_list_show_the_other_keys():
    """Every sentence of a help that names a key names the one that is in use."""
    changed = with_changed_keys(
        VIEWS, names(tool="F5", fine_down="{", fine_up="}", previous_view="y", drift_out="D"), FILE
    )
    available = frozenset({"bench", "operator", "trimmer"})
    trim, stability = changed.named("trim"), changed.named("stability")

    def text(view) -> str:
        keys = changed.keys_in(view, available)
        rows = text_pages.help_lines(changed, view, keys, 100)
        return " ".join(row.plain for row in rows)

    assert "Say with F5 when it goes on" in text(trim)
    assert re.search(
        r"\{/\} +Turn the trimmer a little: \{ lowers the frequency, \} raises", text(trim)
    )
    assert "or with y the one before" in text(trim)
    assert "D removes a linear drift" in text(stability)


@pytest.mark.parametrize("key", VIEWS.keys, ids=lambda key: key.id)
def test_no_help_has_a_place_holder_left(key):
    """The labels stand in every help; the usual ones are those of the declarations."""
    assert "{" not in key.help
    assert key.label


@pytest.mark.parametrize("view", VIEWS.views, ids=lambda view: view.name)
def test_the_help_of_no_view_has_a_place_holder_left(view):
    """The paragraphs of every view name keys by their labels."""
    assert not [paragraph for paragraph in VIEWS.help_of(view) if re.search(r"\{\w", paragraph)]


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({"note": "q"}, "keys.note: q is the key of leave (leave the screen) in Bench too"),
        ({"note": "z"}, "keys.note: z is the key of shorter"),
        ({"note": "y", "unit": "y"}, "y is the key of"),
        ({"tool": "F5", "fine_up": "F5"}, "F5 is the key of"),
        ({"note": "Up"}, "Up is the key of select_above"),
        ({"leave": "Ctrl-P"}, "Ctrl-P is the key of command"),
    ],
)
def test_a_key_of_two_actions_is_refused(keys, says):
    """Both actions are named, with the file and what to do."""
    with pytest.raises(UsageError, match=re.escape(says)) as refused:
        with_changed_keys(VIEWS, names(**keys), FILE)
    assert str(refused.value).startswith(f"{FILE}: keys.")
    assert str(refused.value).endswith("another one.")


def test_actions_that_never_meet_may_share_a_key():
    """The tool is for a live watch and the pause for a recording: both may be on F5."""
    changed = with_changed_keys(VIEWS, names(tool="F5", pause="F5"), FILE)

    assert own_labels(changed.keys)["pause"] == "F5"


def test_the_usual_keys_as_changes_change_nothing():
    """Every action with its usual key, written down, is no clash and gives the same keys."""
    usual = own_labels(VIEWS.keys)
    wanted = {key.id: (read_key_name(usual[key.id]),) for key in changeable(VIEWS)}
    changed = with_changed_keys(VIEWS, wanted, FILE)

    assert own_labels(changed.keys) == usual
    assert [key.label for key in changed.keys] == [key.label for key in VIEWS.keys]
    assert not FIXED_KEYS & {name.name for keys in wanted.values() for name in keys}


@pytest.mark.parametrize("key", changeable(VIEWS), ids=lambda key: key.id)
def test_each_action_can_have_a_key_of_its_own(key):
    """A key that nothing has is accepted for every action, and is the one that acts."""
    changed = with_changed_keys(VIEWS, names(**{key.id: "F9"}), FILE)
    before = [VIEWS.keys_in(view, ALL) for view in VIEWS.views]
    after = [changed.keys_in(view, ALL) for view in VIEWS.views]

    assert [[one.id for one in keys] for keys in before] == [
        [one.id for one in keys] for keys in after
    ]
    assert all(one.keys == ("f9",) for keys in after for one in keys if one.id == key.id)
