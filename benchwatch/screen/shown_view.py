"""The view on the screen: it follows the state of the oscillator until the operator chooses one."""

from benchwatch.screen.view import View
from benchwatch.screen.views.view_list import VIEWS
from benchwatch.snapshot import Snapshot

BENCH, TRIM, WARM_UP = (VIEWS.named(name) for name in ("bench", "trim", "warm_up"))


class ShownView:
    """The view that is shown, and whether it still follows the state.

    Args:
        name: the view that was typed on the command line; empty: the bench where there are several
            counters, else trim first, then by the state.
        several: whether there are several counters.
    """

    def __init__(self, name: str = "", *, several: bool = False) -> None:
        of_counter = name if name and not VIEWS.named(name).whole_bench else ""
        self._on_bench = several and not of_counter
        self._view = VIEWS.named(of_counter) if of_counter else TRIM
        self._follows = not of_counter
        self._served: View | None = None
        """The view that served the state of the counter when that was last looked at."""

    @property
    def view(self) -> View:
        """The view on the screen."""
        return BENCH if self._on_bench else self._view

    def choose(self, name: str) -> None:
        """Show the view called `name`, as the operator wants; from now on it follows nothing."""
        view = VIEWS.named(name)
        self._on_bench = view.whole_bench
        if not view.whole_bench:
            self._view = view
            self.stay()

    def open(self) -> None:
        """Leave the bench for the views of a counter: the one seen last, or that for its state."""
        self._on_bench, self._served = False, None

    def keep(self, now: Snapshot) -> None:
        """Keep the present view for another counter, until the state of that one changes."""
        self._served = _serving(now)[0]

    def stay(self) -> None:
        """Keep the present view of a counter, whatever the state."""
        self._follows &= self._on_bench

    def follow(self, now: Snapshot) -> str:
        """Show the view that serves the state; return a sentence when it changes, else empty."""
        if self._on_bench or not self._follows:
            return ""
        wanted, why = _serving(now)
        if wanted is None or wanted is self._served:
            return ""
        self._served = wanted
        if wanted is self._view:
            return ""
        self._view, other = wanted, self._view
        if wanted is WARM_UP:
            return f"{why}: {wanted.title} until it has settled; {other.key} shows {other.title}"
        return f"{why}: {wanted.title}; {other.key} shows {other.title}"


def _serving(now: Snapshot) -> tuple[View | None, str]:
    """Return the view that serves the state, and why; None: the present one does.

    Warm-up serves until the offset has settled for the first time, or the tool was on the trimmer.
    """
    trim, settle = now.trim, now.numbers.settle
    tool = None if trim is None else trim.tool
    if tool is not None and (tool.on or tool.since_s is not None):
        return TRIM, "tool on" if tool.on else "tool lifted"
    turn = now.numbers.last_nudge if trim is None else trim.turn
    if turn is not None and now.records is not None and now.records.as_found is not None:
        return TRIM, "turned, as found is on record"
    if settle is None or settle.state == "unsure":
        return None, ""
    if settle.state == "settled" or settle.held is not None:
        return TRIM, "settled"
    return WARM_UP, "warming up"
