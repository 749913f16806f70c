"""What the keys do that show a view, and those that select a counter on the bench."""

import math
from collections.abc import Callable

from benchwatch.screen.shown_counters import FAR_ROWS, ShownCounters
from benchwatch.screen.view import View
from benchwatch.screen.views.view_list import VIEWS


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
