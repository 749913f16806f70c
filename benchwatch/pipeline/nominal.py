"""The nominal of a counter: whether its readings fit it, and what is left after a change of it."""

from decimal import Decimal
from typing import Any, Final

from benchwatch.estimate.results import Numbers
from benchwatch.plan import DOUBTFUL, doubtful_nominal, nominal_question
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
"""Fields of a snapshot as they are before the first reading under a nominal."""


def nominal_doubt(reading: Reading, nominal_hz: float, asked: str | None) -> str | None:
    """Ask whether the nominal is right that a reading misses while another round number fits it.

    Args:
        reading: the newest one.
        nominal_hz: what it is compared with.
        asked: the question after the reading before; it stays while readings are as far away.
    """
    if abs(reading.offset) <= DOUBTFUL:
        return None
    if asked is not None or not abs(reading.offset) > DOUBTFUL:  # nan: no measurement
        return asked
    frequency, nominal = Decimal(reading.frequency_hz), Decimal(nominal_hz)
    return nominal_question(frequency, nominal) if doubtful_nominal(frequency, nominal) else None


def has_turned(now: Snapshot) -> bool:
    """Tell whether the trimmer was turned already, or an offset is on record.

    As found can't be measured any more then, under whichever nominal.
    """
    turned = now.trim is not None and now.trim.turn is not None
    return turned or now.numbers.last_nudge is not None or now.records is not None


def nominal_words(nominal_hz: float, before_hz: float, before: Snapshot) -> str:
    """Say in the event log that the nominal has changed, and what holds for earlier records."""
    said = f"nominal {format_frequency(nominal_hz)}"
    if before.records is not None:
        said += f"; what is on record was held against {format_frequency(before_hz)}"
    return said
