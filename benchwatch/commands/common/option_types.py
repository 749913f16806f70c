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
from benchwatch.register import read_ident

if TYPE_CHECKING:
    _ReadsQuantity = click.ParamType[object]
    _ReadsNamed = click.ParamType[tuple[str | None, object]]
    _ReadsText = click.ParamType[str]
else:  # generic only in newer versions of click
    _ReadsQuantity = _ReadsNamed = _ReadsText = click.ParamType

_SOME_NOMINAL: Final = Decimal("1E+15")
"""Hertz, above every carrier, so that any limit in hertz is a small fraction of it."""


class Quantity(_ReadsQuantity):
    """The value of an option, read by a parser of `benchwatch.quantity`."""

    def __init__(self, name: str, parse: Callable[[str], object]) -> None:
        self.name = name
        self._parse = parse

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> object:
        """Parse the text; a value of another type (such as a default) is parsed already."""
        if not isinstance(value, str):
            return value
        try:
            return self._parse(value)
        except QuantityError as error:
            self.fail(str(error), param, ctx)


FREQUENCY: Final = Quantity("frequency", parse_frequency)
"""Value: Decimal, hertz."""
FRACTION: Final = Quantity("fraction", parse_fraction)
"""Value: float, fractional."""
DURATION: Final = Quantity("duration", parse_duration)
"""Value: float, seconds."""


IDENT: Final = Quantity("ident", read_ident)
"""Value: str, the ident of a unit."""
PERIOD: Final = Quantity("duration", lambda text: Decimal(repr(parse_duration(text))))
"""Value: Decimal, seconds."""


class Checked(_ReadsText):
    """Text of an option that is parsed later, because a limit in hertz needs the nominal.

    An error that does not depend on the nominal is reported at once, before anything is started.
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
    """``VALUE`` for every counter or ``NAME=VALUE`` for one, as a pair (name or None, value)."""

    def __init__(self, inner: Quantity) -> None:
        self.name = inner.name
        self._inner = inner

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str | None, object]:
        """Split the name off and parse the rest."""
        if isinstance(value, tuple):
            return value
        name, equals, rest = str(value).partition("=")
        if not equals:
            return None, self._inner.convert(value, param, ctx)
        return name.strip(), self._inner.convert(rest, param, ctx)


def of_counter(values: tuple[tuple[str | None, Decimal], ...], name: str) -> Decimal | None:
    """Return the value typed for the counter `name`, else the value for all; None if neither."""
    return dict(values).get(name, dict(values).get(None))


def check_names(
    values: tuple[tuple[str | None, object], ...], names: Iterable[str], option: str = "--nominal"
) -> None:
    """Check that every typed name is that of a counter.

    Args:
        values: pairs of a name (None: for all) and a value.
        names: names of the counters.
        option: the option in which they were typed.

    Raises:
        UsageError: a typed name is not among them.
    """
    known = tuple(names)
    for name, _ in values:
        if name is not None and name not in known:
            hint = ""
            if option == "--unit":  # the ident may hold the sign itself
                hint = f" An ident with = needs the counter's name: {option} {known[0]}=..."
            raise UsageError(
                f"{option} {printable(name)}=...: no counter has that name. There are: "
                f"{', '.join(known)}.{hint}"
            )


@contextmanager
def of_option(option: str) -> Iterator[None]:
    """Put the name of the option in front of the message of a `UsageError`."""
    try:
        yield
    except UsageError as error:
        raise type(error)(f"{option}: {error}") from error


def refuse_together(*given: tuple[str, bool]) -> None:
    """Refuse options that exclude each other, given as pairs (name, whether it was typed).

    Raises:
        UsageError: more than one was typed.
    """
    names = [name for name, is_given in given if is_given]
    if len(names) > 1:
        raise UsageError(f"{' and '.join(names)} exclude each other: choose one.")


def tolerance_of(text: str | None, nominal: Decimal | None) -> float | None:
    """Return the tolerance (fractional) in ``--tolerance``; ``50 mHz`` needs the nominal.

    Raises:
        QuantityError: the text is not an offset, or not above zero.
    """
    with of_option("--tolerance"):
        return None if text is None else parse_tolerance(text, nominal)


def settle_of(text: str | None, nominal: Decimal | None) -> SettleLimit | None:
    """Return the limit in ``--settle``; ``50 mHz/10min`` needs the nominal.

    Raises:
        QuantityError: the text is not an offset over a duration.
    """
    with of_option("--settle"):
        return None if text is None else SettleLimit(*parse_settle(text, nominal))


TOLERANCE: Final = Checked("fraction", parse_tolerance, "5ppb")
"""Value: the text for `tolerance_of`."""
SETTLE: Final = Checked("limit", parse_settle, "1ppb/10min")
"""Value: the text for `settle_of`."""


def read_coverage(text: str) -> float:
    """Return the coverage probability in a text such as ``95%`` or ``0.95``.

    Raises:
        UsageError: the value does not lie between 0 and 1.
    """
    percent = text.strip().endswith("%")
    try:
        value = float(text.strip().removesuffix("%")) / (100.0 if percent else 1.0)
    except ValueError:
        value = math.nan
    if not 0 < value < 1:
        raise UsageError(f"'{printable(text)}' is no coverage; write 95% or 0.95.")
    return value
