"""The way of one counter's recorded events to the numbers of its lines, and no further.

Charts, deviations, the state of the trim, the notes and the snapshot are left out: lines have none
of them, and they take a third of the time of a reading. A run that a journal keeps, or that a
screen shows, needs the whole `EventPipeline`.
"""

import json
from typing import Final

from benchwatch.counter import TimeBase
from benchwatch.estimate.dial_check_record import DialCheck
from benchwatch.estimate.results import Numbers
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.pipeline.analysis import NumbersAnalysis
from benchwatch.pipeline.time_base_correction import TimeBaseCorrection
from benchwatch.plan import Plan
from benchwatch.reading import (
    DIALLED,
    NO_MEASUREMENT,
    CheckMade,
    Event,
    Gap,
    Reading,
    Record,
    Touch,
)

_UNKNOWN: Final = TimeBase().source
"""No counter is there to state its time base; the flags of the readings do."""


class NumbersPipeline:
    """Turns the recorded events of one counter into numbers, the same as those of `EventPipeline`.

    Readings at other dial settings are not among them: the readers of recordings leave them out.

    Args:
        plan: the counter, and its limits.

    Attributes:
        readings: Measurements so far.
        gaps: Gaps so far.
    """

    def __init__(self, plan: Plan) -> None:
        nominal_hz = float("nan") if plan.nominal is None else float(plan.nominal)
        self._analysis = NumbersAnalysis(nominal_hz, plan.tolerance, plan.settle)
        self._time_base = TimeBaseCorrection(plan)
        self._numbers = Numbers()
        self.readings = self.gaps = 0

    def take(self, event: Event) -> tuple[Event, Numbers]:
        """Take an event; return it, a reading as corrected, and the numbers after it.

        Raises:
            FileError: the document of a record or of a check is damaged.
        """
        if isinstance(event, Reading):
            return self._take_reading(event), self._numbers
        analysis = self._analysis
        if isinstance(event, Gap):
            self.gaps += 1
            analysis.gap_in_estimate(event.lasted_s, new_level=event.reason.startswith(DIALLED))
            self._numbers = analysis.estimate.numbers
        elif isinstance(event, Touch):
            analysis.estimate.touch(event.elapsed_s)
        elif isinstance(event, Record):
            OffsetRecord.from_dict(json.loads(event.document))
        elif isinstance(event, CheckMade):
            DialCheck.from_dict(json.loads(event.document))
        return event, self._numbers

    def _take_reading(self, read: Reading) -> Reading:
        analysis = self._analysis
        reading, changed = self._time_base.take(read, _UNKNOWN, analysis.nominal_hz)
        if changed:
            # Readings step because the time base changed, and not because of a turn.
            analysis.gap_in_estimate(0.0, other_scale=True)
        if reading.flags.isdisjoint(NO_MEASUREMENT):
            self._numbers = analysis.add_to_estimate(reading)
            self.readings += 1
        else:
            self._numbers = self._numbers.without_news()
        return reading
