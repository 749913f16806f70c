"""What the keys do that show a view, select a counter on the bench, or turn its trimmer."""

import math
from collections.abc import Callable

from benchwatch.screen.shown_counters import FAR_ROWS, ShownCounters
from benchwatch.screen.view import View
from benchwatch.screen.views.view_list import VIEWS
from benchwatch.screen.watch_source import TrimmerControl

FINE_TURNS, COARSE_TURNS = 0.01, 0.1
"""Turns of the trimmer by one key."""


def view_actions(
    show: Callable[[str], None], now: Callable[[], View]
) -> dict[str, Callable[[], None]]:
    """Return the actions, by id, of the keys that show a view.

    The key of another form of a view shows that form, and from there the view itself.

    Args:
        show: shows the view with a name.
        now: returns the view on the screen.
    """

    def action(view: View) -> Callable[[], None]:
        return lambda: show(view.parent if view.parent and now() is view else view.name)

    return {view.key_id: action(view) for view in VIEWS.views}


def selecting_actions(counters: ShownCounters) -> dict[str, Callable[[], None]]:
    """Return the actions, by id, of the keys that select a counter on the bench."""

    def select(rows: float) -> Callable[[], None]:
        return lambda: counters.select(rows)

    return {
        "select_above": select(-1),
        "select_below": select(1),
        "select_first": select(-math.inf),
        "select_last": select(math.inf),
        "select_far_above": select(-FAR_ROWS),
        "select_far_below": select(FAR_ROWS),
    }


def turning_actions(
    trimmer: TrimmerControl, counter: Callable[[], str]
) -> dict[str, Callable[[], None]]:
    """Return the actions, by id, of the keys that turn the trimmer of the counter shown.

    Args:
        trimmer: turns it.
        counter: returns the counter's name.
    """

    def turn(amount: float) -> Callable[[], None]:
        return lambda: trimmer.turn(counter(), amount)

    return {
        "fine_up": turn(FINE_TURNS),
        "fine_down": turn(-FINE_TURNS),
        "coarse_up": turn(COARSE_TURNS),
        "coarse_down": turn(-COARSE_TURNS),
    }
