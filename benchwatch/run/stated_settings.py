"""What the station of a counter elsewhere states of its bench, as far as nothing was typed here."""

from collections.abc import Callable

from benchwatch.acquire import CounterStatus
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import StatedByStation


class StatedSettings:
    """Passes limits and unit that a station states on to the pipeline.

    Args:
        pipeline: of the counter.
        now: returns Unix seconds, and seconds of the run.
    """

    def __init__(self, pipeline: Pipeline, now: Callable[[], tuple[float, float]]) -> None:
        self._pipeline, self._now = pipeline, now
        self._stated = StatedByStation()

    def take(self, status: CounterStatus) -> None:
        """Take what a new status states."""
        stated, before = status.stated, self._stated
        if stated is not None and stated != before:
            self._stated = stated
            self._take_limits(stated, before)
            if stated.unit != before.unit:
                self._pipeline.show_unit_elsewhere(stated.unit)

    def _take_limits(self, stated: StatedByStation, before: StatedByStation) -> None:
        """Take over new limits, where those in use are not typed ones."""
        plan, changes = self._pipeline.plan, {}
        for name in ("tolerance", "settle"):
            value, used = getattr(stated, name), getattr(plan, name)
            if value is not None and value != used and used == getattr(before, name):
                changes[name] = value
        if changes:
            self._pipeline.set_limits(*self._now(), **changes)
