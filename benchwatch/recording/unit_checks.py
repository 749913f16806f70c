"""Checks whether the numbers can be in the unit that their column names."""

from decimal import Decimal
from typing import Final

import numpy as np

from benchwatch.errors import FileError, UsageError
from benchwatch.estimate.array_types import FloatArray
from benchwatch.plan import doubtful_nominal, nominal_question
from benchwatch.quantity import EXACT, OFFSET_UNITS, format_frequency, round_nominal
from benchwatch.recording.recorded_run import PARTS, ColumnKind
from benchwatch.recording.rows import CounterFacts

SMALLEST_CARRIER_HZ: Final = 1e4
"""Numbers from here on are frequencies in hertz: no fraction, period or time error is so large."""
LARGEST_USUAL_OFFSET: Final = 1e-2
"""Numbers below it in a column of frequencies look like fractional offsets or a time error."""
NEAR_NOMINAL_SHARE: Final = 0.1
"""A number is near the nominal when it differs by at most this part of it."""
QUESTIONED_OFFSET: Final = 1e-4
"""Offsets above this are questioned: oscillators worth trimming are within 100 ppm."""
LARGEST_USUAL_CHANGE: Final = 3e-9
"""Neighbouring readings usually differ by a smaller fraction (10^-12 to 10^-9 at 1 s). Offsets in
another unit are probably in the coarsest unit in which they do."""


def decide_nominal(
    facts: CounterFacts, values: FloatArray, stated: Decimal | None
) -> Decimal | None:
    """Choose the nominal of a recording, and check the unit of the numbers by it.

    Args:
        facts: facts on the counter; notes on anything assumed or odd are added.
        values: the first numbers, (n,), in the unit `facts.kind` states.
        stated: nominal in hertz that the caller states; None: the file's own, or the round number
            near the readings.

    Returns:
        Hertz; None when there is no nominal and none is needed.

    Raises:
        FileError: the numbers look like another quantity or unit, which is named.
        UsageError: a nominal is needed and none can be guessed.
    """
    source, kind = facts.source, facts.kind
    nominal = stated or facts.nominal
    if facts.nominal is not None and facts.nominal_from:
        own = f"{format_frequency(facts.nominal)} from {facts.nominal_from}"
        told = f"nominal taken as {own}; --nominal says otherwise."
        if stated is not None:
            told = f"nominal {format_frequency(stated)} as typed goes before {own}."
        if stated != facts.nominal:
            facts.notes.append(f"{source}: {told}")
    if nominal is None and kind in {"frequency_hz", "period_s"}:
        nominal = _guess(facts, values)
    elif nominal is not None:
        facts.notes += question_nominal(source, kind, values, nominal)
    check_units(source, kind, values, nominal)
    if kind == "offset":
        facts.notes += question_offsets(source, values)
    return nominal


def _guess(facts: CounterFacts, values: FloatArray) -> Decimal:
    """Return the round number near the readings, in hertz, and add a note.

    Raises:
        FileError: the numbers look like another quantity or unit.
        UsageError: the readings are near no round number.
    """
    typical = Decimal(float(np.median(values)))
    if facts.kind == "frequency_hz":
        check_units(facts.source, facts.kind, np.array([float(typical)]), None)
    if facts.kind == "period_s" and typical:
        typical = EXACT.divide(Decimal(1), typical)
    nominal = round_nominal(typical)
    if nominal is None:
        raise UsageError(
            f"{facts.source}: readings near {typical:.9g} Hz are near no round number. Give the "
            "nominal, such as --nominal 10MHz."
        )
    facts.notes.append(
        f"{facts.source}: nominal taken as {format_frequency(nominal)}, the round number the "
        "readings are near; --nominal says otherwise."
    )
    return nominal


def check_units(source: str, kind: ColumnKind, values: FloatArray, nominal: Decimal | None) -> None:
    """Refuse numbers that are plainly in another unit than their column.

    Args:
        source: name of the file, for messages.
        kind: quantity of the column.
        values: the numbers, (n,).
        nominal: hertz, if known.

    Raises:
        FileError: the numbers look like another quantity or unit, which is named.
    """
    finite = values[np.isfinite(values)]
    if not finite.size:
        return
    typical = float(np.median(finite))
    size = abs(typical)
    shown = f"{source}: the values in column {kind} (typically {typical:.6g})"
    if kind != "frequency_hz" and size >= SMALLEST_CARRIER_HZ:
        raise FileError(f"{shown} look like hertz; name the column frequency_hz.")
    if kind == "frequency_hz" and nominal is not None:
        _check_frequency(shown, typical, float(nominal), format_frequency(nominal))
    if kind == "period_s" and nominal is not None:
        _check_period(shown, typical, float(nominal), format_frequency(nominal))


def question_nominal(
    source: str, kind: ColumnKind, values: FloatArray, nominal: Decimal
) -> list[str]:
    """Return one question when another round number fits the readings better than the nominal.

    Args:
        source: name of the file.
        kind: quantity of the numbers.
        values: the numbers, (n,), in hertz or seconds.
        nominal: hertz.
    """
    if kind not in {"frequency_hz", "period_s"} or not values.size:
        return []
    typical = float(np.median(values))
    if typical <= 0:
        return []
    frequency = Decimal(typical if kind == "frequency_hz" else 1 / typical)
    if not doubtful_nominal(frequency, nominal):
        return []
    return [f"{source}: {nominal_question(frequency, nominal)}"]


def question_offsets(source: str, values: FloatArray) -> list[str]:
    """Return one question when fractions, (n,), are so large that the unit is probably another."""
    finite = values[np.isfinite(values)]
    size = float(np.median(np.abs(finite))) if finite.size else 0.0
    if size <= QUESTIONED_OFFSET:
        return []
    changes = np.abs(np.diff(finite))
    change = float(np.median(changes)) if changes.size else size
    fits = (unit for unit in OFFSET_UNITS if change * unit.size < LARGEST_USUAL_CHANGE)
    unit = next(fits, OFFSET_UNITS[-1])
    note = (
        f"{source}: the values in column offset (typically {size:.6g}) are large for fractions of "
        f"a frequency, as if they were in {unit.name}; taken as they are. If so, name the column "
        f"offset_{unit.short_name} (also {', '.join(PARTS)}), or say --column."
    )
    return [note]


def _check_frequency(shown: str, typical: float, nominal: float, nominal_text: str) -> None:
    if _near(typical, nominal):
        return
    for factor, unit in ((1e3, "kilohertz"), (1e6, "megahertz"), (1e9, "gigahertz")):
        if _near(typical * factor, nominal):
            raise FileError(f"{shown} look like {unit}; the column is in hertz, so convert them.")
    if typical and _near(1 / typical, nominal):
        raise FileError(f"{shown} look like periods in seconds; name the column period_s.")
    if abs(typical) < LARGEST_USUAL_OFFSET:
        raise FileError(
            f"{shown} look like fractional offsets or a time error; name the column offset or "
            "phase_s."
        )
    raise FileError(
        f"{shown} are nowhere near the nominal {nominal_text}. Give the nominal of this file, "
        "such as --nominal 10MHz; if these are offsets in hertz, add the nominal to them."
    )


def _check_period(shown: str, typical: float, nominal: float, nominal_text: str) -> None:
    if typical and _near(1 / typical, nominal):
        return
    if _near(typical, nominal):
        raise FileError(f"{shown} look like hertz; name the column frequency_hz.")
    for factor, unit in ((1e-3, "milliseconds"), (1e-6, "microseconds"), (1e-9, "nanoseconds")):
        if typical and _near(1 / (typical * factor), nominal):
            raise FileError(f"{shown} look like {unit}; the column is in seconds, so convert them.")
    raise FileError(
        f"{shown} are nowhere near the period of the nominal {nominal_text}. Give the nominal of "
        "this file, such as --nominal 10MHz."
    )


def _near(value: float, nominal: float) -> bool:
    return abs(value - nominal) <= NEAR_NOMINAL_SHARE * nominal
