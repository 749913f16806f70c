"""How long the settle verdict has held since it was first given, and how far the offset strayed."""

from dataclasses import replace
from typing import Final

from benchwatch.estimate.results import SettleHistory

LEVEL_SPAN_HORIZONS: Final = 0.05
"""Horizons over which a level is averaged, and after a nudge until the next reference is taken."""


class SettleHistoryTracker:
    """Updates the `SettleHistory` at each evaluation; O(1), times on the run's clock."""

    def __init__(self) -> None:
        self._history: SettleHistory | None = None
        self._reference: float | None = None
        self._before: tuple[float, float | None] = (0.0, None)
        """The worst excursion before the present one began, and its time."""
        self._since: float | None = None
        """Time of the last evaluation, where the oven was settled then."""

    @property
    def history(self) -> SettleHistory | None:
        """The history so far; None before the first verdict."""
        return self._history

    def clear(self) -> None:
        """Discard the history, as for another limit."""
        self._history = self._reference = self._since = None
        self._before = (0.0, None)

    def add(
        self, at_s: float, level: float, span_s: float, *, settled: bool, after_nudge: bool
    ) -> None:
        """Take the verdict at one evaluation.

        Args:
            at_s: now.
            level: mean offset of the newest readings, fractional.
            span_s: over which `level` is the mean.
            settled: whether the oven is settled.
            after_nudge: whether a nudge is too recent for `level` to be the next reference.
        """
        if settled and self._history is None:
            self._history = SettleHistory(first_s=at_s)
        held = self._history
        if held is None:
            return
        more_s = at_s - self._since if self._since is not None and settled else 0.0
        self._since = at_s if settled else None
        worst, worst_s = held.worst, held.worst_s
        if self._reference is None:
            self._reference = None if after_nudge else level
        elif abs(level - self._reference) > abs(worst):
            # The excursion may prove to be a nudge that is not yet confirmed.
            if worst_s is None or at_s - worst_s > span_s:
                self._before = worst, worst_s
            worst, worst_s = level - self._reference, at_s
        self._history = replace(held, held_s=held.held_s + more_s, worst=worst, worst_s=worst_s)

    def nudged(self, at_s: float) -> None:
        """Take a nudge at `at_s`: excursions then count from where the offset comes to rest."""
        self._reference = None
        held = self._history
        if held is not None and held.worst_s is not None and held.worst_s >= at_s:
            worst, worst_s = self._before
            self._history = replace(held, worst=worst, worst_s=worst_s)

    def gap(self, lasted_s: float, *, other_scale: bool) -> None:
        """Take a gap in the readings.

        Args:
            lasted_s: its length.
            other_scale: whether the readings after it can't be compared with those before.
        """
        self._since = None
        if other_scale:
            self._reference = None
        held = self._history
        if held is not None and lasted_s > 0.0:
            self._history = replace(held, gaps=held.gaps + 1, gaps_s=held.gaps_s + lasted_s)
