"""What is said of checks at other dial settings, live and afterwards: sentences, never computed."""

from typing import Final

from benchwatch.estimate.dial_check import CANT_TELL, FEWEST_READINGS, CheckNumbers, MainWait
from benchwatch.estimate.dial_check_record import DialCheck
from benchwatch.pipeline.event_log import limit_words
from benchwatch.quantity import (
    OffsetUnit,
    format_duration,
    format_frequency,
    how_many,
    in_unit,
    offset_unit,
    printable,
    write_fraction,
)

OUTPUT_CHANGES: Final = "The output changes: nothing that follows it may be connected."
COVERS: Final = "Covers off: mains and stored charge, hot oven; local codes and practice first."
NO_COUNT_WORDS: Final = "counter can't count it"
"""Words of the row of a setting at which every reading is over range."""
CAUTIONS: Final = (OUTPUT_CHANGES, COVERS)
"""Cautions that stand beside every instruction to dial."""


def check_words(check: DialCheck, unit: OffsetUnit | None = None) -> str:
    """Write a finished check as a sentence: setting, verdict, difference ± U and its limit."""
    where = format_frequency(check.setting_hz)
    by = difference_words(check, unit)
    if by is None:
        few = how_many(check.readings, "reading")
        return f"at {where}: can't tell, from {few}: the uncertainty is not known"
    return f"at {where}: {check.verdict}, by {by}"


def difference_words(check: DialCheck, unit: OffsetUnit | None = None) -> str | None:
    """Write the difference ± U of a finished check with its limit; None where it is not known."""
    if check.difference is None or check.expanded is None:
        return None
    unit = unit or offset_unit(max(abs(check.difference), check.expanded))
    text = write_fraction(check.difference, check.expanded, unit)
    against = "within U" if check.verdict == "follows" else "U of 95 %"
    if check.limit is not None:
        against = f"limit ±{limit_words(check.limit)}"
    readings = how_many(check.readings, "reading")
    return f"{text} ({against}; {readings})"


def done_words(check: DialCheck, limit: float | None) -> str:
    """Write the verdict of a finished check; with its limit where the present one is another."""
    if check.limit is None or limit in {None, check.limit}:
        return check.verdict
    return f"{check.verdict} (limit {limit_words(check.limit)})"


def verdict_words(numbers: CheckNumbers) -> str:
    """Write the verdict in short, with what would tell where it can't be told."""
    if numbers.verdict != CANT_TELL:
        return numbers.verdict
    if numbers.more_readings is not None:
        return f"can't tell ({numbers.more_readings} more)"
    if numbers.there is None:
        return "no reading yet"
    if numbers.needs_main:
        return "can't tell (main unsure)"
    return "can't tell yet"


def dial_words(
    setting_hz: float, *, place: int, of: int, said: bool, dialled_hz: float | None = None
) -> str:
    """Write the instruction to dial.

    Args:
        setting_hz: the setting to dial, in hertz.
        place: which one of the walk it is, from 1.
        of: how many settings the walk has.
        said: whether the person has said that it is done.
        dialled_hz: the other setting at which the unit still is, in hertz; None: the main one.
    """
    where = format_frequency(setting_hz)
    counted = f" ({place} of {of})" if of > 1 else ""
    still = "" if dialled_hz is None else f": still at {format_frequency(dialled_hz)}"
    if said:
        return f"Waiting for readings at {where}{counted}{still}."
    return f"Dial the unit to {where}{counted}{still}. Then Enter."


def wait_words(wait: MainWait, setting_hz: float) -> str:
    """Write what to wait for before the unit is dialled to a setting, and for how long."""
    about = "" if wait.more_s is None else f" (about {format_duration(max(round(wait.more_s), 1))})"
    why = "the main offset is not known well enough yet"
    if wait.warming:
        why = "the unit still warms up"
    elif wait.expanded is not None:
        why = f"main offset good to ±{_two_digits(wait.expanded)} only"
    return f"Wait{about}: {why}. Then dial to {format_frequency(setting_hz)}."


def _two_digits(expanded: float) -> str:
    """Write an expanded uncertainty in two digits, with its unit."""
    unit = offset_unit(expanded)
    return f"{in_unit(expanded, unit)} {unit.name}"


def followed_words(dialled_hz: float, walker: str) -> str:
    """Write that another counter on the signal walks through the settings of this unit."""
    where = format_frequency(dialled_hz)
    return f"The unit is dialled to {where}: {printable(walker)} checks it, nothing to do here."


def reading_words(setting_hz: float, readings: int, numbers: CheckNumbers | None) -> str:
    """Write what happens while readings gather at a setting, and what would tell."""
    where = format_frequency(setting_hz)
    if numbers is not None and numbers.verdict != CANT_TELL:
        return f"At {where} the verdict stands. Enter goes on."
    so_far = f"{how_many(readings, 'reading')} at {where}"
    if numbers is not None and numbers.needs_main:
        return f"{so_far}: the main offset is too unsure. Dial back and wait, or Enter goes on."
    more = None if numbers is None else numbers.more_readings
    if more is None:
        more = max(FEWEST_READINGS - readings, 1)
    return f"{so_far}; about {more} more would tell. Enter goes on without them."


def back_words(dialled_hz: float | None, nominal_hz: float) -> str:
    """Write the instruction to dial back to the main setting."""
    back = format_frequency(nominal_hz)
    if dialled_hz is None:
        return f"Dial the unit back to {back}. Readings there go on by themselves."
    return f"The unit is dialled to {format_frequency(dialled_hz)}: dial it back to {back}."
