"""The options by which a watch sends to the central record, and the relay that is made of them."""

import re
import socket
from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from benchwatch.bench import Bench
from benchwatch.commands.common.option_types import of_option
from benchwatch.commands.common.output import narrate
from benchwatch.errors import UsageError
from benchwatch.journal import Journal
from benchwatch.line_output import json_line
from benchwatch.quantity import printable
from benchwatch.register import register_path
from benchwatch.relay.broker_address import BrokerAddress, check_is_here, parse_broker
from benchwatch.relay.station_name import RESERVED, check_station_name, is_station_name

if TYPE_CHECKING:
    from benchwatch.relay.identity import Identity
    from benchwatch.relay.station.station_relay import RelayOptions, StationRelay

_OTHERS: Final = re.compile(r"[^a-z0-9]+")
"""Characters that a station's name can't have, or should not begin or end with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedRelay:
    """Typed options of sending to the central record."""

    broker: str | None = None
    identity: Path | None = None
    """Folder with the certificate; also a desk shows it to the broker."""
    station: str | None = None

    def options(
        self, bench: Bench | None, *, keeps: bool, looks: bool = False
    ) -> "RelayOptions | None":
        """Return where to send and as whom; what was not typed comes from the bench file.

        Args:
            bench: the bench file; None: there is none.
            keeps: whether there is a journal.
            looks: whether counters elsewhere are watched, for which the identity is too.

        Returns:
            None where nothing is to be sent.

        Raises:
            UsageError: it can't be sent so.
            FileError: the certificate can't be used.
        """
        described = None if bench is None else bench.relay
        if self.broker is None and described is None:
            if self.station is not None:
                raise UsageError("--station names who sends: add --relay mqtts://HOST.")
            if self.identity is not None and not looks:
                raise UsageError(
                    "--relay-identity says who connects, and no broker is given: add --relay "
                    "mqtts://HOST, or leave it out."
                )
            return None
        if not keeps:
            if self.broker is not None:
                raise UsageError(
                    "--relay sends what is in the journal, and --no-journal keeps none: leave out "
                    "one of them."
                )
            narrate("nothing is sent to the central record, as nothing is kept (--no-journal).")
            return None
        folder, station = self.identity, self.station
        if self.broker is not None:
            with of_option("--relay"):
                address = parse_broker(self.broker)
        else:
            assert described is not None
            address = described.broker
        if described is not None:
            folder = folder or described.identity
            station = station or described.station
        return _options(address, folder, station)


def relay_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options of `TypedRelay` to a watch, which gets them as `relay`."""
    return _with_options(
        command, "Send the journal to the central record, and live lines to desks, by this broker."
    )


def sending_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options of `TypedRelay` to a command that only sends, which gets them as `relay`."""
    return _with_options(command, "Send by this broker.")


def _with_options(command: Callable[..., Any], relay_help: str) -> Callable[..., Any]:
    @click.option("--relay", "broker", metavar="mqtts://HOST[:PORT]", help=relay_help)
    @click.option(
        "--relay-identity",
        metavar="DIR",
        type=click.Path(path_type=Path),
        help="The folder with the certificate for the broker, as benchwatch relay add writes it.",
    )
    @click.option(
        "--station",
        help="The name of this station; that of the certificate if left out.",
    )
    @wraps(command)
    def with_relay(
        *args: Any,
        broker: str | None,
        relay_identity: Path | None,
        station: str | None,
        **rest: Any,
    ) -> Any:
        relay = TypedRelay(broker=broker, identity=relay_identity, station=station)
        return command(*args, relay=relay, **rest)

    return with_relay


def open_relay(options: "RelayOptions | None", journal: Journal | None) -> "StationRelay | None":
    """Return the relay of a watch, not yet started; None where nothing is to be sent.

    Raises:
        UsageError: the library that speaks to brokers is not installed.
    """
    if options is None or journal is None:
        return None
    from benchwatch.relay.station.station_relay import StationRelay  # noqa: PLC0415 - most watches send nothing

    return StationRelay(
        options,
        journal.path,
        registers=[register_path(journal.path, simulated=simulated) for simulated in (False, True)],
        own_runs=lambda: journal.own_runs,
        text=json_line,
    )


def _options(address: BrokerAddress, folder: Path | None, station: str | None) -> "RelayOptions":
    from benchwatch.relay.identity import Identity  # noqa: PLC0415 - most watches send nothing
    from benchwatch.relay.station.station_relay import RelayOptions  # noqa: PLC0415 - most watches send nothing

    identity = None
    if folder is not None:
        identity = Identity.load(folder)
        for caution in identity.cautions:
            narrate(caution)
    else:
        check_is_here(address, "who sends", "the folder that benchwatch relay add wrote")
    name = _station(station) if identity is None else _certified(identity, station)
    return RelayOptions(address=address, identity=identity, station=name)


def _certified(identity: "Identity", station: str | None) -> str:
    """Return the name in the certificate.

    Raises:
        UsageError: it is no station's, or another one was asked for.
    """
    name = identity.name
    where = printable(str(identity.folder), 200)
    if name in RESERVED:
        raise UsageError(
            f"the certificate in {where} is that of the {name}: a station needs one of its own "
            "(benchwatch relay add)."
        )
    if station not in {None, name}:
        raise UsageError(
            f"the certificate in {where} is that of the station {name}, and not of "
            f"'{printable(str(station), 70)}': leave out the station, or give its certificate."
        )
    return name


def _station(asked: str | None) -> str:
    """Return the name of a station without a certificate: the one asked for, or the computer's.

    Raises:
        UsageError: there is none that fits.
    """
    if asked is not None:
        return check_station_name(asked)
    host = socket.gethostname()
    name = _OTHERS.sub("-", host.lower()).strip("-")[:63].strip("-")
    if not is_station_name(name):
        raise UsageError(
            f"this computer's name '{printable(host, 70)}' is no name of a station: add --station "
            "NAME."
        )
    return name
