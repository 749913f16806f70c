"""Types of the values on the command line, declared once for all commands."""

import math
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final

import click

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

if TYPE_CHECKING:
    _ReadsQuantity = click.ParamType[object]
    _ReadsNamed = click.ParamType[tuple[str | None, object]]
    _ReadsText = click.ParamType[str]
else:  # generic only in newer versions of click
    _ReadsQuantity = _ReadsNamed = _ReadsText = click.ParamType

_SOME_NOMINAL: Final = Decimal("1E+15")
"""Hertz, above every carrier: any limit in hertz is a small fraction of it."""


class Quantity(_ReadsQuantity):
    """The value of an option, read by a parser of `benchwatch.quantity`."""

    def __init__(self, name: str, parse: Callable[[str], object]) -> None:
        self.name = name
        self._parse = parse

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> object:
        """Read the text; a value that is no text has been read already."""
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


PERIOD: Final = Quantity("duration", lambda text: Decimal(repr(parse_duration(text))))
"""Gives a Decimal, seconds."""


class Checked(_ReadsText):
    """Text of an option that is read once the nominal is known, by which hertz are divided.

    An error that does not depend on the nominal is reported before anything is started.
    """

    def __init__(self, name: str, read: Callable[[str, Decimal], object], example: str) -> None:
        self.name = name
        self._read, self._example = read, example

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Check the text and return it unchanged."""
        text = str(value)
        try:
            self._read(text, _SOME_NOMINAL)
        except QuantityError as error:
            option = "" if param is None else f"{param.opts[0]} "
            self.fail(f"{error} For example: {option}{self._example}.", param, ctx)
        return text


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
    """Return the value that was given for the counter `name`, else the one for all."""
    return dict(values).get(name, dict(values).get(None))


def check_names(values: tuple[tuple[str | None, Decimal], ...], names: Iterable[str]) -> None:
    """Check that every value with a name is for one of the counters `names`.

    Raises:
        UsageError: no counter has that name.
    """
    known = tuple(names)
    for name, _ in values:
        if name is not None and name not in known:
            raise UsageError(
                f"--nominal {printable(name)}=...: no counter has that name. There are: "
                f"{', '.join(known)}."
            )


@contextmanager
def of_option(option: str) -> Iterator[None]:
    """Put the option in front of an error of its value."""
    try:
        yield
    except UsageError as error:
        raise type(error)(f"{option}: {error}") from error


def refuse_together(*given: tuple[str, bool]) -> None:
    """Refuse options that exclude each other; each is a name and whether it was given.

    Raises:
        UsageError: more than one was given.
    """
    names = [name for name, is_given in given if is_given]
    if len(names) > 1:
        raise UsageError(f"{' and '.join(names)} exclude each other: choose one.")


def tolerance_of(text: str | None, nominal: Decimal | None) -> float | None:
    """Read ``--tolerance``; ``50 mHz`` needs the nominal.

    Raises:
        QuantityError: it is no fraction, or not above zero.
    """
    with of_option("--tolerance"):
        return None if text is None else parse_tolerance(text, nominal)


def settle_of(text: str | None, nominal: Decimal | None) -> SettleLimit | None:
    """Read ``--settle``; ``50 mHz/10min`` needs the nominal.

    Raises:
        QuantityError: it is no fraction over a duration.
    """
    with of_option("--settle"):
        return None if text is None else SettleLimit(*parse_settle(text, nominal))


TOLERANCE: Final = Checked("fraction", parse_tolerance, "5ppb")
"""Gives the text for `tolerance_of`."""
SETTLE: Final = Checked("limit", parse_settle, "1ppb/10min")
"""Gives the text for `settle_of`."""


def read_coverage(text: str) -> float:
    """Read ``95%`` or ``0.95``.

    Raises:
        UsageError: it does not lie between 0 and 1.
    """
    percent = text.strip().endswith("%")
    try:
        value = float(text.strip().removesuffix("%")) / (100.0 if percent else 1.0)
    except ValueError:
        value = math.nan
    if not 0 < value < 1:
        raise UsageError(f"'{printable(text)}' is no coverage; write 95% or 0.95.")
    return value
