"""Options and helpers of the commands that look for instruments."""

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import click

from benchwatch.bus import DEFAULT_BACKEND, Buses
from benchwatch.bus.listing import ResourceLister, listers
from benchwatch.commands.common.option_types import DURATION
from benchwatch.commands.common.output import narrate
from benchwatch.counter import DEFAULT_DRIVER
from benchwatch.discovery import Finder
from benchwatch.driver_registry import drivers
from benchwatch.errors import DriverError

if TYPE_CHECKING:
    Option = Callable[[Callable[..., Any]], Callable[..., Any]]

backend_option: "Final[Option]" = click.option(
    "--backend", default=DEFAULT_BACKEND, show_default=True, help="The VISA library."
)


def timeout_option(says: str) -> "Option":
    """Return ``--timeout``, how long is searched; `says` is its help."""
    return click.option(
        "--timeout", "timeout_s", type=DURATION, default="10s", show_default=True, help=says
    )


def places(backend: str, *, local: bool) -> list[ResourceLister]:
    """Return where a VISA library can search; with `local`, nowhere on a network."""
    return [place for place in listers(backend) if place.is_local or not local]


def finder(
    backend: str, where: Sequence[ResourceLister], *, timeout_s: float, ask_all: bool = False
) -> Finder:
    """Return a finder that searches `where`, through that VISA library, with all drivers."""
    experts = DriverGuesser()
    return Finder(
        partial(Buses().open_link, backend=backend),
        where,
        ask_all=ask_all,
        of_identity=experts.of_identity,
        of_line=experts.of_line,
        timeout_s=timeout_s,
    )


class DriverGuesser:
    """Guesses the driver of a counter from its identity or from a line that it sent unasked.

    A driver that can tell has a method ``recognises(identity) -> bool`` or ``reads(line) -> bool``.
    One that fails is named, and not asked again. Any thread may ask.
    """

    def __init__(self) -> None:
        registry = drivers()
        self._found = registry.found
        self._usable = registry.usable()
        for trouble in registry.troubles:
            narrate(trouble)

    def of_identity(self, identity: str) -> str:
        """Name the driver for an identity: one that recognises it, else the default."""
        return next(self._that("recognises", identity), DEFAULT_DRIVER)

    def of_line(self, line: str) -> list[str]:
        """Name the drivers that can read a line."""
        return list(self._that("reads", line))

    def _that(self, method: str, text: str) -> Iterator[str]:
        for name, loaded in tuple(self._usable.items()):
            try:
                if self._found[name].accepts(loaded, method, text):
                    yield name
            except DriverError as error:
                if self._usable.pop(name, None) is not None:
                    narrate(str(error))
