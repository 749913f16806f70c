"""What became of the verdict since it was first given: how long it held, how far it strayed."""

from typing import Final

from benchwatch.estimate.results import SettleHistory

LEVEL_SPAN: Final = 0.05
"""Horizons that the levels are means over; so long after a nudge the next reference is taken."""


class SettleHistoryTracker:
    """O(1); times on the run's clock."""

    def __init__(self) -> None:
        self._held: SettleHistory | None = None
        self._reference: float | None = None
        self._before: tuple[float, float | None] = (0.0, None)
        """The worst excursion before the present one began, and when that was."""
        self._since: float | None = None
        """Time of the last look at which it was settled."""

    @property
    def held(self) -> SettleHistory | None:
        """What is told; None before the first verdict."""
        return self._held

    def forget(self) -> None:
        """Another limit: begin anew."""
        self._held = self._reference = self._since = None
        self._before = (0.0, None)

    def add(self, at_s: float, level: float, span_s: float, *, settled: bool, fresh: bool) -> None:
        """Take a look at the verdict.

        Args:
            at_s: now.
            level: mean offset of late, fractional.
            span_s: over which that is the mean.
            settled: whether it is settled.
            fresh: a nudge is too near for `level` to be compared with those to come.
        """
        if settled and self._held is None:
            self._held = SettleHistory(first_s=at_s)
        held = self._held
        if held is None:
            return
        more_s = at_s - self._since if self._since is not None and settled else 0.0
        self._since = at_s if settled else None
        worst, worst_s = held.worst, held.worst_s
        if self._reference is None:
            self._reference = None if fresh else level
        elif abs(level - self._reference) > abs(worst):
            # It may prove to be a turn that is not yet confirmed.
            if worst_s is None or at_s - worst_s > span_s:
                self._before = worst, worst_s
            worst, worst_s = level - self._reference, at_s
        self._held = SettleHistory(
            held.first_s, held.held_s + more_s, worst, worst_s, held.gaps, held.gaps_s
        )

    def nudged(self, at_s: float) -> None:
        """The oscillator was turned at `at_s`: excursions count from where it comes to rest."""
        self._reference = None
        held = self._held
        if held is not None and held.worst_s is not None and held.worst_s >= at_s:
            worst, worst_s = self._before
            self._held = SettleHistory(
                held.first_s, held.held_s, worst, worst_s, held.gaps, held.gaps_s
            )

    def gap(self, lasted_s: float, *, other_scale: bool) -> None:
        """Readings stopped for a while.

        Args:
            lasted_s: for how long.
            other_scale: those after it can't be compared with those before.
        """
        self._since = None
        if other_scale:
            self._reference = None
        held = self._held
        if held is not None and lasted_s > 0.0:
            self._held = SettleHistory(
                held.first_s, held.held_s, held.worst, held.worst_s,
                held.gaps + 1, held.gaps_s + lasted_s,
            )  # fmt: skip
