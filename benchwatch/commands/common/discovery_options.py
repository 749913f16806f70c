"""What every command that looks for instruments has in common: options, places, drivers."""

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import click

from benchwatch.bus import DEFAULT_BACKEND, Buses, ResourceLister, listers
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
    """Return the option for how long is looked; `says` is its help."""
    return click.option(
        "--timeout", "timeout_s", type=DURATION, default="10s", show_default=True, help=says
    )


def places(backend: str, *, local: bool) -> list[ResourceLister]:
    """Return where a VISA library can look; with `local`, on no network."""
    return [place for place in listers(backend) if place.is_local or not local]


def finder(
    backend: str, where: Sequence[ResourceLister], *, timeout_s: float, ask_all: bool = False
) -> Finder:
    """Return what looks there, opens through that library, and knows the drivers."""
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
    """The drivers that can tell their counters, by an identity or by a line that came unasked.

    A driver that can has a method ``recognises(identity) -> bool``, or ``reads(line) -> bool``,
    of its own. One that breaks on a question is named, and not asked again. Any thread may ask.
    """

    def __init__(self) -> None:
        registry = drivers()
        self._found = registry.found
        self._usable = registry.usable()
        for trouble in registry.troubles:
            narrate(trouble)

    def of_identity(self, identity: str) -> str:
        """Name the driver for an identity: one that recognises it, else the usual one."""
        return next(self._that("recognises", identity), DEFAULT_DRIVER)

    def of_line(self, line: str) -> list[str]:
        """Name the drivers that read a line."""
        return list(self._that("reads", line))

    def _that(self, method: str, text: str) -> Iterator[str]:
        for name, loaded in tuple(self._usable.items()):
            try:
                if self._found[name].accepts(loaded, method, text):
                    yield name
            except DriverError as error:
                if self._usable.pop(name, None) is not None:
                    narrate(str(error))
