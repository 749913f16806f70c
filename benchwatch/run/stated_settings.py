"""What the station of a counter elsewhere states: limits, unless typed here, unit and records."""

from collections.abc import Callable

from benchwatch.acquire import CounterStatus
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import StatedByStation
from benchwatch.snapshot import Records


class StatedSettings:
    """Passes limits, unit and records that a station states on to the pipeline.

    Args:
        pipeline: of the counter.
        now: returns Unix seconds, and seconds of the run.
    """

    def __init__(self, pipeline: Pipeline, now: Callable[[], tuple[float, float]]) -> None:
        self._pipeline, self._now = pipeline, now
        self._stated = StatedByStation()
        self._shown: tuple[object, ...] = ()
        """The nominal and what was on record when records were shown last; empty: they were not."""

    def take(self, status: CounterStatus) -> None:
        """Take what a new status states."""
        stated, before = status.stated, self._stated
        if stated is None:
            return
        if stated != before:
            self._stated = stated
            self._take_limits(stated, before)
            if stated.unit != before.unit:
                self._pipeline.show_unit_elsewhere(stated.unit)
        nominal_hz = self._pipeline.snapshot.nominal_hz
        on_record = stated.as_found, stated.as_found_automatic, stated.as_left, stated.checks
        if nominal_hz > 0.0 and self._shown != (nominal_hz, *on_record):
            self._shown = nominal_hz, *on_record
            self._show_on_record(stated)

    def _show_on_record(self, stated: StatedByStation) -> None:
        """Show what is on record under the nominal that is used here."""
        nominals = (None, self._pipeline.snapshot.nominal_hz)
        found, left = (
            record if record is not None and record.nominal_hz in nominals else None
            for record in (stated.as_found, stated.as_left)
        )
        records = Records(found, stated.as_found_automatic and found is not None, left)
        checks = [one for one in stated.checks if one.nominal_hz in nominals]
        self._pipeline.show_records_elsewhere(records, checks, *self._now())

    def _take_limits(self, stated: StatedByStation, before: StatedByStation) -> None:
        """Take over new limits, where those in use are not typed ones."""
        plan, changes = self._pipeline.plan, {}
        for name in ("tolerance", "settle"):
            value, used = getattr(stated, name), getattr(plan, name)
            if value is not None and value != used and used == getattr(before, name):
                changes[name] = value
        if changes:
            self._pipeline.set_limits(*self._now(), **changes)
