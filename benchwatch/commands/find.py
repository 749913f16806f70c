"""``benchwatch find``: lists instruments as they are found."""

import time
from dataclasses import asdict

import click

from benchwatch.bus.plain_address import resources_of_host, understood_resource
from benchwatch.commands.common.discovery_options import (
    backend_option,
    finder,
    places,
    timeout_option,
)
from benchwatch.commands.common.output import narrate, print_json, print_text
from benchwatch.commands.common.progress import progress
from benchwatch.counter import DEFAULT_DRIVER
from benchwatch.discovery import FoundResource, SearchedPlace
from benchwatch.errors import ConnectionFailed
from benchwatch.quantity import format_duration, printable


@click.command()
@click.argument("resources", metavar="[RESOURCE]...", nargs=-1)
@backend_option
@timeout_option("Whatever has not answered by then is given up.")
@click.option("--local", is_flag=True, help="Send nothing on any network.")
@click.option("--ask", "ask_all", is_flag=True, help="Ask *IDN? of everything, safe or not.")
@click.option("--json", "as_json", is_flag=True, help="A line a finding, for programs.")
def find(
    *,
    resources: tuple[str, ...],
    backend: str,
    timeout_s: float,
    local: bool,
    ask_all: bool,
    as_json: bool,
) -> int:
    """List instruments, and the driver that fits each, as they are found.

    Serial ports, USB and GPIB are looked at, and the network, by a broadcast on every
    interface of this computer (--local leaves that out). With RESOURCE, only these are
    asked.

    *IDN? is asked on the network and on USB, where every instrument must know it. A serial
    port is not opened and GPIB is not asked, unless you say --ask: an older counter may
    take these letters for settings.
    """  # fmt: skip
    resources = tuple(one for text in resources for one in _asked(text))
    where = [] if resources else places(backend, local=local)
    if where:
        names = ", ".join(place.name for place in where)
        narrate(f"looking at {names}; {format_duration(timeout_s)} at most")
    found: list[FoundResource] = []
    finished = True
    search = finder(backend, where, timeout_s=timeout_s, ask_all=ask_all)
    began_s = time.monotonic()
    with progress("looking", lambda: (time.monotonic() - began_s) / timeout_s):
        for item in search.find(resources):
            if isinstance(item, FoundResource):
                found.append(item)
                if as_json:
                    print_json({"kind": "found", **asdict(item)})
                else:
                    print_text(_paragraph(item))
            else:
                finished = finished and not item.trouble
                _report_place(item, as_json=as_json)
    known = sum(item.driver is not None for item in found)
    if as_json:
        print_json({"kind": "end", "found": len(found), "fitted": known, "finished": finished})
    narrate(f"{len(found)} {'asked' if resources else 'found'}, a driver is known for {known}")
    if not found and not resources:
        narrate("without a counter, benchwatch watch --sim watches a simulated bench")
    if known < len(found) if resources else not found:
        return ConnectionFailed.exit_code
    return 0


def _asked(text: str) -> list[str]:
    """Return the resources to ask for a typed one: for a host alone, each way to reach it."""
    return list(resources_of_host(text)) or [understood_resource(text)]


def _paragraph(found: FoundResource) -> str:
    """Write a resource, its identity and note, and the command that checks its driver."""
    resource = printable(found.resource, 200)
    lines = [f"{resource}  ({found.about})" if found.about else resource]
    lines += [printable(text, 400) for text in (found.identity, found.note) if text]
    if found.driver is not None:
        option = "" if found.driver == DEFAULT_DRIVER else f" --driver {found.driver}"
        lines.append(f"driver {found.driver}: benchwatch drivers check {resource}{option}")
    return "\n    ".join(lines)


def _report_place(searched: SearchedPlace, *, as_json: bool) -> None:
    if as_json:
        print_json({"kind": "looked", **asdict(searched)})
    if searched.trouble:
        narrate(f"{searched.place}: {printable(searched.trouble, 300)}")
