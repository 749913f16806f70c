"""What the command line's words are read as; declared once for all commands."""

from collections.abc import Callable
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final

import click

from benchwatch.errors import QuantityError
from benchwatch.estimate.results import SettleLimit
from benchwatch.quantity import parse_duration, parse_fraction, parse_frequency, parse_settle

if TYPE_CHECKING:
    _ReadsQuantity = click.ParamType[object]
    _ReadsNamed = click.ParamType[tuple[str | None, object]]
else:  # generic only in newer versions of click
    _ReadsQuantity = _ReadsNamed = click.ParamType


class Quantity(_ReadsQuantity):
    """An option's value, read by one of the parsers of `benchwatch.quantity`."""

    def __init__(self, name: str, parse: Callable[[str], object]) -> None:
        self.name = name
        self._parse = parse

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> object:
        """Read the text; a value that is no text is already read."""
        if not isinstance(value, str):
            return value
        try:
            return self._parse(value)
        except QuantityError as error:
            self.fail(str(error), param, ctx)


FREQUENCY: Final = Quantity("frequency", parse_frequency)
"""Gives a Decimal, hertz."""
FRACTION: Final = Quantity("fraction", parse_fraction)
"""Gives a float."""
DURATION: Final = Quantity("duration", parse_duration)
"""Gives a float, seconds."""


class Named(_ReadsNamed):
    """``VALUE`` for every counter, or ``NAME=VALUE`` for one; gives (name or None, value)."""

    def __init__(self, inner: Quantity) -> None:
        self.name = inner.name
        self._inner = inner

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str | None, object]:
        """Split the name off and read the rest."""
        if isinstance(value, tuple):
            return value
        name, equals, rest = str(value).partition("=")
        if not equals:
            return None, self._inner.convert(value, param, ctx)
        return name.strip(), self._inner.convert(rest, param, ctx)


def of_counter(values: tuple[tuple[str | None, Decimal], ...], name: str) -> Decimal | None:
    """Pick what was given for the counter `name`, else for all."""
    return dict(values).get(name, dict(values).get(None))


def tolerance_of(text: str | None, nominal: Decimal | None) -> float | None:
    """Read ``--tolerance``; ``50 mHz`` needs the nominal.

    Raises:
        QuantityError: it is no fraction, or not above zero.
    """
    if text is None:
        return None
    limit = parse_fraction(text, nominal)
    if limit <= 0:
        raise QuantityError(f"the tolerance '{text}' must be above zero, such as 5ppb.")
    return limit


def settle_of(text: str | None, nominal: Decimal | None) -> SettleLimit | None:
    """Read ``--settle``; ``50 mHz/10min`` needs the nominal.

    Raises:
        QuantityError: it is no fraction over a duration.
    """
    return None if text is None else SettleLimit(*parse_settle(text, nominal))
