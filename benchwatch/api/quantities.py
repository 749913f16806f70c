"""Quantities as scripts give them: text as it is typed on the command line, or plain numbers."""

from collections.abc import Sequence
from decimal import Decimal
from typing import Final

from benchwatch.errors import QuantityError, UsageError
from benchwatch.estimate.results import SettleLimit
from benchwatch.quantity import (
    parse_duration,
    parse_fraction,
    parse_frequency,
    parse_settle,
    parse_tolerance,
    printable,
)

Frequency = str | int | float | Decimal
"""A frequency: text such as ``10 MHz``, or a number of hertz."""
Fraction = str | float
"""A fractional quantity: text such as ``5 ppb``, or a fraction such as 5e-9."""
Duration = str | float
"""A time: text such as ``10 min``, or a number of seconds."""
Settled = str | tuple[float, float] | SettleLimit
"""A settle limit: text such as ``1ppb/10min``, or a fraction and seconds."""

_LONGEST: Final = 40


def hertz(value: Frequency) -> Decimal:
    """Return a frequency as an exact number of hertz; of a float, its shortest decimals.

    Raises:
        QuantityError: it is no frequency above zero.
    """
    return parse_frequency(value if isinstance(value, str) else _written(value))


def hertz_or_none(value: Frequency | None) -> Decimal | None:
    """Return `hertz` of a value; None for None."""
    return None if value is None else hertz(value)


def fraction(value: Fraction, nominal: Decimal | None = None) -> float:
    """Return a fractional quantity; text may be in hertz where there is a `nominal`.

    Raises:
        QuantityError: it is none.
    """
    return parse_fraction(value if isinstance(value, str) else _written(value), nominal)


def limit(value: Fraction | None, nominal: Decimal | None = None) -> float | None:
    """Return a limit of the offset, fractional and above zero; None for None.

    Raises:
        QuantityError: it is none.
    """
    if value is None:
        return None
    return parse_tolerance(value if isinstance(value, str) else _written(value), nominal)


def seconds(value: Duration) -> float:
    """Return a time in seconds.

    Raises:
        QuantityError: it is none.
    """
    return parse_duration(value if isinstance(value, str) else _written(value))


def seconds_or_none(value: Duration | None) -> float | None:
    """Return `seconds` of a value; None for None."""
    return None if value is None else seconds(value)


def decimal_seconds(value: Duration | None) -> Decimal | None:
    """Return a time as a decimal number of seconds, as the commands read it; None for None.

    Raises:
        QuantityError: it is none.
    """
    return None if value is None else Decimal(repr(seconds(value)))


def one_of(choices: Sequence[str], value: str, name: str) -> None:
    """Check that an argument is one of the words that it can be.

    Raises:
        UsageError: it is none of them.
    """
    if value not in choices:
        words = ", ".join(f"'{choice}'" for choice in choices)
        raise UsageError(f"{name} is '{printable(str(value), _LONGEST)}'; it can be {words}.")


def settle_limit(value: Settled | None, nominal: Decimal | None = None) -> SettleLimit | None:
    """Return what settled means; None for None.

    Raises:
        QuantityError: it is no offset over a time.
    """
    if value is None or isinstance(value, SettleLimit):
        return value
    if isinstance(value, str):
        return SettleLimit(*parse_settle(value, nominal))
    offset, horizon = value
    return SettleLimit(*parse_settle(f"{_written(offset)}/{_written(horizon)}s", nominal))


def not_settled_words(source: str) -> str:
    """Say that a recording, `source`, has not settled within the limit that was stated."""
    return (
        f"{source} has not settled at its end, within the limit that settle states. "
        "State another one, or leave since out."
    )


def _written(value: float | Decimal) -> str:
    """Write a number as text for the parsers.

    Raises:
        QuantityError: it is no finite number.
    """
    try:
        number = value if isinstance(value, Decimal) else Decimal(repr(float(value)))
    except (TypeError, ValueError, OverflowError) as error:
        raise QuantityError(
            f"'{printable(str(value), _LONGEST)}' is no quantity: give text such as '10 MHz', or a "
            "number."
        ) from error
    if not number.is_finite():
        raise QuantityError(f"{value} is no quantity: give a finite number.")
    return f"{number:f}" if abs(number.adjusted()) < _LONGEST else str(number)
