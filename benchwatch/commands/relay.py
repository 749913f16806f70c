"""``benchwatch relay``: benches elsewhere: the files of broker, keeper, desk and stations."""

import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import click

from benchwatch.commands.common.output import print_json, print_text
from benchwatch.errors import UsageError
from benchwatch.quantity import how_many
from benchwatch.relay.certificate_files import shown
from benchwatch.relay.setup.authority import check_host, utc_now
from benchwatch.relay.setup.broker_files import PLAIN_PORT, TLS_PORT
from benchwatch.relay.setup.relay_folder import (
    BROKER,
    Issued,
    make_loopback_folder,
    make_relay_folder,
    open_relay_folder,
)
from benchwatch.relay.station_name import DESK, KEEPER
from benchwatch.report.blocks import align_table

MOST_STATIONS: Final = 10_000
"""Stations whose identities are made at once."""

_folder_argument = click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
_names_argument = click.argument("names", metavar="NAME...", nargs=-1, required=True)
_host_option = click.option(
    "--host",
    "hosts",
    multiple=True,
    metavar="HOST",
    help="Name or address under which stations reach the broker; may be given several times.",
)


@click.group()
def relay() -> None:
    """Benches elsewhere: make the files of broker, keeper, desk and stations."""


@relay.command()
@_folder_argument
@_host_option
@click.option(
    "--stations",
    "count",
    type=click.IntRange(1, MOST_STATIONS),
    metavar="N",
    help="So many stations, called station-01 and so on.",
)
@click.option(
    "--station",
    "names",
    multiple=True,
    metavar="NAME",
    help="A station of this name, such as tide-007; may be given several times.",
)
@click.option(
    "--port",
    type=click.IntRange(1, 65535),
    help=f"Port of the broker; {TLS_PORT} if left out, with --loopback {PLAIN_PORT}.",
)
@click.option(
    "--broker-folder",
    type=click.Path(path_type=Path),
    help="Where the broker's files will lie, such as /etc/mosquitto/benchwatch; in DIR if left "
    "out.",
)
@click.option(
    "--loopback",
    is_flag=True,
    help="For trying out: a broker for programs on this computer only, without certificates.",
)
def init(
    *,
    folder: Path,
    hosts: tuple[str, ...],
    count: int | None,
    names: tuple[str, ...],
    port: int | None,
    broker_folder: Path | None,
    loopback: bool,
) -> None:
    """Make in DIR an authority and all files for a broker, a keeper, desks and stations.

    The broker is mosquitto. Each part gets a certificate of its own, and the broker lets each do
    only what it must. Nothing that is in DIR already is written over.
    """
    if loopback:
        if hosts or count or names or broker_folder:
            raise UsageError(
                "--loopback makes no certificates, so it goes without --host, --stations, "
                "--station and --broker-folder: there are no names on one computer."
            )
        make_loopback_folder(folder, port or PLAIN_PORT)
        _say_loopback(folder, port or PLAIN_PORT)
        return
    if not hosts:
        raise UsageError(
            "say with --host how stations reach the broker: its name, its address, or both. "
            "For trying out on this computer alone there is --loopback."
        )
    if not count and not names:
        raise UsageError("say which stations there are: --stations 40, or --station NAME for each.")
    checked = list(dict.fromkeys(check_host(host) for host in hosts))
    stations = [*_numbered(count or 0), *names]
    if broker_folder is not None and not broker_folder.is_absolute():
        raise UsageError("--broker-folder needs a whole path, such as /etc/mosquitto/benchwatch.")
    make_relay_folder(folder, checked, stations, port or TLS_PORT, broker_folder)
    _say_made(folder, checked, stations, port or TLS_PORT, broker_folder)


@relay.command()
@_folder_argument
@_names_argument
def add(*, folder: Path, names: tuple[str, ...]) -> None:
    """Make an identity for each further station NAME.

    The broker needs no change: its access list goes by the name of the certificate.
    """
    for name in names:
        with open_relay_folder(folder) as opened:
            place = opened.add(name, utc_now())
        print_text(
            f"{shown(place)}/ is the identity of {name}: take it to that computer, for the user "
            "that watches there only. The broker needs no change."
        )


@relay.command()
@_folder_argument
@_names_argument
@_host_option
def renew(*, folder: Path, names: tuple[str, ...], hosts: tuple[str, ...]) -> None:
    """Make a new key and certificate for each NAME: a station, keeper, desk or broker.

    The ones before move to DIR/old. They count until they end, or until relay revoke.
    """
    if hosts and names != (BROKER,):
        raise UsageError(f"--host is for the broker alone: relay renew DIR {BROKER} --host HOST.")
    checked = [check_host(host) for host in hosts]
    for name in names:
        with open_relay_folder(folder) as opened:
            place = opened.renew(name, checked, utc_now())
        if name == BROKER:
            print_text(
                f"{shown(place)}/ has a new server.crt and server.key: copy both to the broker, "
                "then reload it (systemctl reload mosquitto); connections go on."
            )
        else:
            print_text(
                f"{shown(place)}/ is the new identity of {name}: copy it over the one there, and "
                "start its program again."
            )


@relay.command()
@_folder_argument
@_names_argument
def revoke(*, folder: Path, names: tuple[str, ...]) -> None:
    """Let no certificate of NAME count any more, as when its key was stolen.

    The broker learns it when it gets the new list, and is told to read it.
    """
    for name in names:
        with open_relay_folder(folder) as opened:
            counted = opened.revoke(name, utc_now())
        print_text(f"{how_many(len(counted), 'certificate')} of {name} revoked.")
    path = folder / BROKER / "revoked.crl"
    print_text(
        f"Copy {shown(path)} over the broker's, and let it read it: systemctl reload mosquitto, "
        "or signal HUP.\n"
        "From then on it refuses new connections of "
        f"{'these names' if len(names) > 1 else 'this name'}. One that is open goes on: end it "
        "by systemctl restart mosquitto; the others come back by themselves, and lose nothing.\n"
        f"For a new identity: relay renew {shown(folder)} NAME"
    )


@relay.command()
@_folder_argument
@click.option("--json", "as_json", is_flag=True, help="A line a certificate, for programs.")
def show(*, folder: Path, as_json: bool) -> None:
    """List the certificates of DIR: whose, until when, and whether they still count."""
    with open_relay_folder(folder) as opened:
        issued, ends = sorted(opened.issued, key=_place), opened.authority.ends
    now = datetime.fromtimestamp(time.time(), UTC)
    if as_json:
        for one in issued:
            print_json(
                {"kind": "certificate", "name": one.name, "serial": f"{one.serial:x}",
                 "hosts": list(one.hosts), "begins": _moment(one.begins),
                 "ends": _moment(one.ends), "state": _state(one, now),
                 "revoked": None if one.revoked is None else _moment(one.revoked)}
            )  # fmt: skip
        return
    rows = [
        (one.name, f"{one.ends:%Y-%m-%d}", _state(one, now), " ".join(one.hosts)) for one in issued
    ]
    print_text(align_table(("name", "until", "state", "reached as"), rows))
    print_text(f"the authority itself ends {ends:%Y-%m-%d}")


def _numbered(count: int) -> list[str]:
    width = max(len(str(count)), 2)
    return [f"station-{number:0{width}}" for number in range(1, count + 1)]


def _place(one: Issued) -> tuple[bool, str, datetime]:
    """Return by what certificates are sorted: stations by name after the others, oldest first."""
    return one.name not in {BROKER, KEEPER, DESK}, one.name, one.begins


def _state(one: Issued, now: datetime) -> str:
    if one.revoked is not None:
        return "revoked"
    return "expired" if now > one.ends else "valid"


def _moment(moment: datetime) -> str:
    return f"{moment.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"


def _say_loopback(folder: Path, port: int) -> None:
    file = folder / BROKER / "mosquitto.conf"
    print_text(
        f"{shown(file)} is for programs on this computer only (127.0.0.1, port {port}): no names, "
        "no certificates, no encryption.\n"
        f"Start the broker:  mosquitto -c {shown(file)}\n"
        f"Its address:       mqtt://127.0.0.1:{port}"
    )


def _say_made(
    folder: Path, hosts: list[str], stations: list[str], port: int, broker_folder: Path | None
) -> None:
    """Say what was made, and what is to be done with it."""
    place = shown(folder)
    names = stations[0] if len(stations) == 1 else f"{stations[0]} to {stations[-1]}"
    where = (
        f"to {shown(broker_folder)} there"
        if broker_folder is not None
        else "readable for the account that runs mosquitto"
    )
    print_text(
        f"{place}/broker/     for the broker, reached as {', '.join(hosts)}, port {port}: "
        f"{where}\n"
        f"{place}/keeper/     the identity of the keeper\n"
        f"{place}/desk/       the identity of desks\n"
        f"{place}/stations/   an identity for each of {how_many(len(stations), 'station')}: "
        f"{names}\n"
        f"{place}/authority/  its key makes certificates: keep this folder offline. Whoever has "
        "it can be any station.\n"
        "Each private key is for one computer: only its user can read it, and nobody else needs "
        "it.\n"
        "Certificates count two years: relay show lists them, relay renew makes new ones.\n"
        f"Start the broker:  mosquitto -c "
        f"{shown((broker_folder or folder / BROKER) / 'mosquitto.conf')}"
    )
