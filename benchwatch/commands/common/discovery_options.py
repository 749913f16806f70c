"""Options and helpers of the commands that search for instruments."""

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import click

from benchwatch.bus import DEFAULT_BACKEND, Buses
from benchwatch.bus.listing import ResourceLister, listers
from benchwatch.commands.common.option_types import DURATION
from benchwatch.commands.common.output import narrate
from benchwatch.commands.common.user_settings import user_settings
from benchwatch.counter import DEFAULT_DRIVER
from benchwatch.discovery import Finder
from benchwatch.driver_registry import drivers
from benchwatch.errors import DriverError

if TYPE_CHECKING:
    Option = Callable[[Callable[..., Any]], Callable[..., Any]]


def _backend(context: click.Context, _param: click.Parameter, typed: str | None) -> str:
    return DEFAULT_BACKEND if context.resilient_parsing else user_settings().backend(typed)


backend_option: "Final[Option]" = click.option(
    "--backend", callback=_backend, help=f"The VISA library; {DEFAULT_BACKEND} unless configured."
)


def timeout_option(help_text: str) -> "Option":
    """Return the option ``--timeout``, the longest time of a search."""
    return click.option(
        "--timeout", "timeout_s", type=DURATION, default="10s", show_default=True, help=help_text
    )


def places(backend: str, *, local: bool) -> list[ResourceLister]:
    """Return the places that a VISA library can search; with `local`, none on a network."""
    return [place for place in listers(backend) if place.is_local or not local]


def finder(
    backend: str, where: Sequence[ResourceLister], *, timeout_s: float, ask_all: bool = False
) -> Finder:
    """Return a finder that searches the places `where` and tries all installed drivers.

    Args:
        backend: the VISA library.
        where: places to search.
        timeout_s: longest time of a search.
        ask_all: whether to send ``*IDN?`` also where an older counter may misread it.
    """
    guesser = DriverGuesser()
    return Finder(
        partial(Buses().open_link, backend=backend),
        where,
        ask_all=ask_all,
        of_identity=guesser.of_identity,
        of_line=guesser.of_line,
        timeout_s=timeout_s,
    )


def other_dialects(line: str, driver_name: str) -> str:
    """Return a sentence with the drivers that read a line which the present one does not.

    Args:
        line: a whole line that the instrument sent.
        driver_name: name of the present driver; where it reads the line too, nothing is said.
    """
    names = DriverGuesser().of_line(line)
    if not names or driver_name in names:
        return ""
    if len(names) == 1:
        return f"What it sends is read by the driver {names[0]}: try --driver {names[0]}."
    return f"What it sends is read by the drivers {', '.join(names)}: try one with --driver."


class DriverGuesser:
    """Guesses the driver of a counter from its identity or from a line that it sent unasked.

    It calls the methods ``recognises(identity) -> bool`` and ``reads(line) -> bool`` of drivers
    that have them. A driver that raises is reported once, and not called again. Any thread may
    call the methods.
    """

    def __init__(self) -> None:
        registry = drivers()
        self._found = registry.found
        self._usable = registry.usable()
        for trouble in registry.troubles:
            narrate(trouble)

    def of_identity(self, identity: str) -> str:
        """Return the name of a driver that recognises an identity, else of the default one."""
        return next(self._accepting("recognises", identity), DEFAULT_DRIVER)

    def of_line(self, line: str) -> list[str]:
        """Return the names of the drivers that can read a line."""
        return list(self._accepting("reads", line))

    def _accepting(self, method: str, text: str) -> Iterator[str]:
        """Yield the names of the drivers whose `method` returns True for `text`."""
        for name, loaded in tuple(self._usable.items()):
            try:
                if self._found[name].accepts(loaded, method, text):
                    yield name
            except DriverError as error:
                if self._usable.pop(name, None) is not None:
                    narrate(str(error))
