"""The nominal of a counter: whether readings fit it, and what a change of it resets."""

import math
from decimal import Decimal
from typing import Any, Final

from benchwatch.estimate.results import Numbers
from benchwatch.plan import doubtful_nominal, nominal_question
from benchwatch.quantity import format_frequency
from benchwatch.reading import Reading
from benchwatch.snapshot import Snapshot

WITHOUT_MEASUREMENTS: Final[dict[str, Any]] = {
    "reading": None,
    "numbers": Numbers(),
    "trim": None,
    "records": None,
    "stability": None,
    "elsewhere": None,
    "question": None,
}
"""Values of the snapshot's fields before the first reading under a nominal."""


def nominal_doubt(reading: Reading, nominal_hz: float, asked: str | None) -> str | None:
    """Return the question whether the nominal is right, or None while there is no doubt.

    There is doubt where another round number fits the reading.

    Args:
        reading: the newest one, off by more than `DOUBTFUL`; its offset is nan without a
            measurement.
        nominal_hz: the nominal.
        asked: the question after the previous reading; it stays while readings are as far off.
    """
    if asked is not None or math.isnan(reading.offset):
        return asked
    frequency, nominal = Decimal(reading.frequency_hz), Decimal(nominal_hz)
    return nominal_question(frequency, nominal) if doubtful_nominal(frequency, nominal) else None


def has_turned(now: Snapshot) -> bool:
    """Return whether the trimmer was turned already, or an offset is on record.

    If so, as found can't be measured any more, under any nominal.
    """
    turned = now.trim is not None and now.trim.turn is not None
    return turned or now.numbers.last_nudge is not None or now.records is not None


def nominal_words(nominal_hz: float, before_hz: float, before: Snapshot) -> str:
    """Write the event log's entry on a new nominal, with the nominal of earlier records."""
    text = f"nominal {format_frequency(nominal_hz)}"
    if before.records is not None:
        text += f"; what is on record was held against {format_frequency(before_hz)}"
    return text
