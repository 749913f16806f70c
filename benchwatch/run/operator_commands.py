"""What the person at the bench may tell a running watch: tool, records, settings."""

import math
from decimal import Decimal
from typing import Literal

from benchwatch.acquire.readings import PLAUSIBLE
from benchwatch.errors import UsageError
from benchwatch.estimate.results import SettleLimit
from benchwatch.pipeline.cautions import cautions_of
from benchwatch.pipeline.event_log import settled_words, tolerance_words
from benchwatch.quantity import (
    OffsetUnit,
    format_duration,
    format_frequency,
    how_many,
    parse_duration,
    parse_fraction,
    parse_frequency,
    parse_settle,
    write_fraction,
)
from benchwatch.run.live_watch import Watch
from benchwatch.staleness import is_current

Setting = Literal["nominal", "tolerance", "settle", "gate"]


class Operating:
    """Operates the counters of one watch; every method returns at once."""

    def __init__(self, run: Watch) -> None:
        self._run = run

    def touch(self, name: str, *, on: bool) -> None:
        """Say that the tool is on the trimmer of `name`'s oscillator, or off."""
        self._run.touch(name, on=on)

    def record(
        self, name: str, kind: Literal["as found", "as left"], unit: OffsetUnit | None = None
    ) -> str:
        """Put the present offset of `name` on record and say so in a sentence, in `unit`.

        Raises:
            NoReadings: there is nothing to record yet, or no readings come.
        """
        record = self._run.record(name, kind)
        offset = write_fraction(record.offset, record.u, unit)
        least = " (uncertainty at least that)" if record.budget.missing else ""
        caution = cautions_of(record)
        but = f"; caution: {caution}" if caution else ""
        return f"{kind}: {offset}{least}, from {how_many(record.readings, 'reading')}{but}"

    def change(self, name: str, setting: Setting, text: str) -> str:
        """Change a setting to what was typed and say in a sentence what holds now.

        Raises:
            QuantityError: the text is no such quantity.
            UsageError: there is no such setting.
        """
        match setting:
            case "tolerance":
                limit = parse_fraction(text, self._run.nominal(name))
                if limit <= 0:
                    raise UsageError("a tolerance is above zero, such as 5ppb.")
                self._run.retune(name, tolerance=limit)
                return tolerance_words(limit)
            case "settle":
                settle = SettleLimit(*parse_settle(text, self._run.nominal(name)))
                self._run.retune(name, settle=settle)
                return settled_words(settle)
            case "gate":
                gate_s = parse_duration(text)
                self._run.set_gate(name, gate_s)
                return f"asked the counter for a gate of {format_duration(gate_s)}"
            case "nominal":
                nominal = parse_frequency(text)
                if nominal == self._run.nominal(name):
                    return f"nominal {format_frequency(nominal)}, as it was"
                self._refuse_far(name, nominal)
                self._run.set_nominal(name, nominal)
                return f"nominal {format_frequency(nominal)}; the numbers begin anew"
        raise UsageError(f"there is no setting '{setting}'.")

    def _refuse_far(self, name: str, nominal: Decimal) -> None:
        """Refuse a nominal under which every reading of what is connected would be refused.

        Raises:
            UsageError: the current reading is nowhere near it.
        """
        now = self._run.snapshot(name)
        reading = now.reading
        if reading is None or not is_current(now, self._run.elapsed_s()):
            return  # another source may be connected by now
        far = abs(reading.frequency_hz - float(nominal)) > float(PLAUSIBLE * nominal)
        if not (far and math.isfinite(reading.frequency_hz)):
            return
        raise UsageError(
            f"the counter reads {format_frequency(reading.frequency_hz)}, which is nowhere near "
            f"{format_frequency(nominal)}: the nominal stays as it was. Type the nominal of the "
            "source that is connected, or connect the other one first."
        )
