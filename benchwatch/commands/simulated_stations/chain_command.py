"""``benchwatch simulate chain``: many stations in one process, each with its own journal."""

import secrets
import signal
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from benchwatch.clock import SystemClock
from benchwatch.commands.common.option_types import Quantity, of_option
from benchwatch.commands.common.output import narrate, print_json, print_text
from benchwatch.errors import INTERRUPTED, UsageError
from benchwatch.quantity import how_many, parse_duration
from benchwatch.system.stop_signals import STOP_SIGNALS, wait_until_set
from benchwatch_simulators.stations.station_faults import (
    STATION_FAULT_FORM,
    STATION_FAULTS,
    parse_station_fault,
)

if TYPE_CHECKING:
    from benchwatch.commands.simulated_stations.simulated_station import MakeSendingPart

MOST_STATIONS: Final = 999
LEAST_EVERY_S: Final = 0.01
LEAST_SEND_WITHIN_S: Final = 1.0
DURATION: Final = Quantity("duration", parse_duration)


@click.command()
@click.argument(
    "folder",
    metavar="[DIR]",
    required=False,
    type=click.Path(path_type=Path, file_okay=False),
)
@click.option(
    "--stations",
    type=click.IntRange(1, MOST_STATIONS),
    default=40,
    show_default=True,
    help="How many stations.",
)
@click.option(
    "--first",
    type=click.IntRange(1, MOST_STATIONS),
    default=1,
    show_default=True,
    help="Number of the first one, for several processes: 7 is tide-007.",
)
@click.option(
    "--counters",
    type=click.IntRange(1, 2),
    default=2,
    show_default=True,
    help="Counters of each station.",
)
@click.option(
    "--every",
    "every_s",
    type=DURATION,
    default="1s",
    show_default=True,
    help="Time from reading to reading of each counter.",
)
@click.option("--for", "for_s", type=DURATION, help="End after this time.")
@click.option("--relay", help="Send all events to this broker: mqtts://HOST or mqtt://127.0.0.1.")
@click.option(
    "--relay-identity",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder with the identity of each station in a folder of its name.",
)
@click.option(
    "--send-within",
    "send_within_s",
    type=DURATION,
    help="Longest time until a reading is sent; without it, that of a watch.",
)
@click.option("--seed", type=click.IntRange(min=0), help="Makes the same noise again.")
@click.option(
    "--fault",
    "faults",
    metavar="[STATION=]KIND@TIME[+DURATION]",
    multiple=True,
    help=f"Let something go wrong, such as {STATION_FAULT_FORM}: {', '.join(STATION_FAULTS)}.",
)
@click.option("--json", "as_json", is_flag=True, help="A line a station for programs.")
def chain(
    *,
    folder: Path | None,
    stations: int,
    first: int,
    counters: int,
    every_s: float,
    for_s: float | None,
    relay: str | None,
    relay_identity: Path | None,
    send_within_s: float | None,
    seed: int | None,
    faults: tuple[str, ...],
    as_json: bool,
) -> int:
    """Run many simulated stations in one process until interrupted.

    Each is called tide-001 and so on, and has a folder of its name in DIR, with a journal that is
    written by the code of a real watch. Without DIR they are in a temporary folder, which is
    removed at the end. Standard output gets a line a station: its name, a blank, its journal.
    """
    if first + stations - 1 > MOST_STATIONS:
        raise UsageError(f"the last station would have a number above {MOST_STATIONS}.")
    if every_s < LEAST_EVERY_S:
        raise UsageError("--every is at least 10 ms.")
    if send_within_s is not None and (relay is None or send_within_s < LEAST_SEND_WITHIN_S):
        raise UsageError("--send-within is at least 1 s, and goes with --relay.")
    if relay_identity is not None and relay is None:
        raise UsageError("--relay-identity says who connects: --relay says to which broker.")
    script = [parse_station_fault(text) for text in faults]
    seed = secrets.randbelow(2**32) if seed is None else seed

    from benchwatch.commands.simulated_stations.simulated_station import (  # noqa: PLC0415 - starts in a moment otherwise
        COUNTERS,
        StationPlan,
    )
    from benchwatch.commands.simulated_stations.station_chain import (  # noqa: PLC0415 - as above
        StationChain,
        station_names,
    )
    from benchwatch_simulators.servers.raw_socket_server import (  # noqa: PLC0415 - as above
        RawSocketServer,
    )
    from benchwatch_simulators.stations.station_control import (  # noqa: PLC0415 - as above
        StationControl,
    )

    stop, time_is_up = threading.Event(), threading.Event()
    for number in STOP_SIGNALS:
        signal.signal(number, lambda *_: stop.set())
    names = station_names(stations, first)
    plan = StationPlan(
        counters=COUNTERS[:counters],
        every_s=every_s,
        send=None if relay is None else _sending(relay, relay_identity, send_within_s),
    )
    with _folder(folder) as where:
        made = StationChain(names, where, plan, seed=seed, faults=script, narrate=narrate)
        control = RawSocketServer(StationControl(made))
        try:
            made.start()
            for name, station in made.stations.items():
                if as_json:
                    print_json(
                        {"kind": "station", "name": name, "journal": str(station.journal_path),
                         "counters": list(plan.counters), "seed": seed,
                         "control_port": control.port}
                    )  # fmt: skip
                else:
                    print_text(f"{name} {station.journal_path}")
            narrate(f"{how_many(stations, 'station')} started. Seed {seed}.")
            narrate(f"Control port {control.port} cuts links, power, counters, clocks and disks.")
            narrate("Ctrl-C ends them.")
            if for_s is not None:
                _set_later(time_is_up, for_s, stop)
            wait_until_set(stop)
        finally:
            control.close()
            made.stop()
    return 0 if time_is_up.is_set() else INTERRUPTED


def _sending(relay: str, identities: Path | None, send_within_s: float | None) -> "MakeSendingPart":
    """Return what makes the sending part of each station.

    Raises:
        UsageError: `relay` is no broker.
    """
    from benchwatch.commands.simulated_stations.station_sending import (  # noqa: PLC0415 - needs an extra
        sending_parts,
    )
    from benchwatch.relay.broker_address import (  # noqa: PLC0415 - as above
        check_is_here,
        parse_broker,
    )
    from benchwatch.relay.station.transfer_times import SEND_WITHIN_S  # noqa: PLC0415 - as above

    with of_option("--relay"):
        address = parse_broker(relay)
    if identities is None:
        check_is_here(address, "who sends", "the folder stations that relay init wrote")
    return sending_parts(address, identities, send_within_s or SEND_WITHIN_S)


def _set_later(time_is_up: threading.Event, after_s: float, stop: threading.Event) -> None:
    """Set both events after some time, unless `stop` is set before."""

    def wait() -> None:
        if not SystemClock().wait(stop, after_s):
            time_is_up.set()
            stop.set()

    threading.Thread(target=wait, name="end of stations", daemon=True).start()


@contextmanager
def _folder(folder: Path | None) -> Iterator[Path]:
    """Yield the folder of the stations, or a temporary one."""
    if folder is not None:
        yield folder
        return
    with tempfile.TemporaryDirectory(prefix="benchwatch_stations_") as made:
        yield Path(made)
