"""``benchwatch relay``: benches elsewhere: the files of broker, keeper, desk and stations."""

import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import click

from benchwatch.commands.benches_elsewhere.relay_options import TypedRelay, sending_options
from benchwatch.commands.common.output import narrate, print_json, print_text
from benchwatch.errors import UsageError
from benchwatch.quantity import how_many
from benchwatch.relay.certificate_files import shown
from benchwatch.relay.setup.authority import check_host, utc_now
from benchwatch.relay.setup.broker_files import (
    CONFIGURATION,
    PLAIN_PORT,
    REVOCATION_LIST,
    TLS_PORT,
)
from benchwatch.relay.setup.issued_certificates import Issued
from benchwatch.relay.setup.relay_folder import (
    BROKER,
    make_loopback_folder,
    make_relay_folder,
    open_relay_folder,
)
from benchwatch.relay.station_name import DESK, KEEPER
from benchwatch.report.blocks import align_table

MOST_STATIONS: Final = 10_000
"""Stations whose identities are made at once."""
DEBIANS_MOSQUITTO: Final = Path("/usr/sbin/mosquitto")
CERTIFICATES_AS_JSON: Final = "A line a certificate, for programs."

_folder_argument = click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
_names_argument = click.argument("names", metavar="NAME...", nargs=-1, required=True)
_json_option = click.option("--json", "as_json", is_flag=True, help=CERTIFICATES_AS_JSON)
_host_option = click.option(
    "--host",
    "hosts",
    multiple=True,
    metavar="HOST",
    help="Name or address under which stations reach the broker; may be given several times.",
)


@click.group()
def relay() -> None:
    """Benches elsewhere: make the files of broker, keeper, desk and stations; send a journal."""


@relay.command()
@_folder_argument
@_host_option
@click.option(
    "--stations",
    "count",
    type=click.IntRange(1, MOST_STATIONS),
    metavar="N",
    help="So many stations, called station-001 and so on.",
)
@click.option("--prefix", help="What the names of --stations begin with, in place of station.")
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
@_json_option
def init(
    *,
    folder: Path,
    hosts: tuple[str, ...],
    count: int | None,
    prefix: str | None,
    names: tuple[str, ...],
    port: int | None,
    broker_folder: Path | None,
    loopback: bool,
    as_json: bool,
) -> None:
    """Make an authority and the files of all parts in the folder DIR.

    These are a broker, a keeper, desks and stations. The broker is mosquitto. Each part gets a
    certificate of its own, and the broker lets each do only what it must. Nothing that is in DIR
    already is written over.
    """
    if loopback:
        if hosts or count or names or prefix or broker_folder:
            raise UsageError(
                "--loopback makes no certificates, so it goes without --host, --stations, "
                "--prefix, --station and --broker-folder: there are no names on one computer."
            )
        make_loopback_folder(folder, port or PLAIN_PORT)
        _say_loopback(folder, port or PLAIN_PORT)
        if as_json:
            print_json({"kind": "broker", "folder": str(folder), "port": port or PLAIN_PORT})
        return
    if not hosts:
        raise UsageError(
            "say with --host how stations reach the broker: its name, its address, or both. "
            "For trying out on this computer alone there is --loopback."
        )
    if not count and not names:
        raise UsageError("say which stations there are: --stations 40, or --station NAME for each.")
    checked = list(dict.fromkeys(check_host(host) for host in hosts))
    if prefix is not None and not count:
        raise UsageError("--prefix says how numbered stations are called: add --stations 40.")
    stations = [*_numbered(prefix or "station", count or 0), *names]
    if broker_folder is not None and not broker_folder.is_absolute():
        raise UsageError("--broker-folder needs a whole path, such as /etc/mosquitto/benchwatch.")
    make_relay_folder(folder, checked, stations, port or TLS_PORT, broker_folder)
    _say_made(folder, checked, stations, port or TLS_PORT, broker_folder)
    if as_json:
        _print_certificates(_listed(folder))


@relay.command()
@_folder_argument
@_names_argument
@_json_option
def add(*, folder: Path, names: tuple[str, ...], as_json: bool) -> None:
    """Make an identity for each further station NAME.

    The broker needs no change: its access list goes by the name of the certificate.
    """
    with open_relay_folder(folder) as opened:
        opened.check_new(names)
        for name in names:
            place = opened.add(name, utc_now())
            narrate(
                f"{shown(place)}/ is the identity of {name}: take it to that computer, for the "
                "user that watches there only. The broker needs no change."
            )
    if as_json:
        _print_certificates(_listed(folder, names))


@relay.command()
@_folder_argument
@_names_argument
@_host_option
@_json_option
def renew(*, folder: Path, names: tuple[str, ...], hosts: tuple[str, ...], as_json: bool) -> None:
    """Make a new key and certificate for each NAME.

    That is a station, keeper, desk or broker. The ones before move to DIR/old. They count until
    they end, or until relay revoke.
    """
    if hosts and names != (BROKER,):
        raise UsageError(f"--host is for the broker alone: relay renew DIR {BROKER} --host HOST.")
    checked = [check_host(host) for host in hosts]
    with open_relay_folder(folder) as opened:
        opened.check_renewable(names)
        for name in names:
            _say_renewed(name, opened.renew(name, checked, utc_now()))
    if as_json:
        _print_certificates(_listed(folder, names))


@relay.command()
@_folder_argument
@_names_argument
@_json_option
def revoke(*, folder: Path, names: tuple[str, ...], as_json: bool) -> None:
    """Let no certificate of NAME count any more.

    As when its key was stolen. The broker learns it when it gets the new list, and is told to
    read it.
    """
    with open_relay_folder(folder) as opened:
        counted = opened.revoke(names, utc_now())
    for name in names:
        count = sum(one.name == name for one in counted)
        narrate(f"{how_many(count, 'certificate')} of {name} revoked.")
    path = folder / BROKER / REVOCATION_LIST
    _narrate_lines(
        f"copy {shown(path)} over the broker's, and let it read it: systemctl reload mosquitto, "
        "or signal HUP.\n"
        "from then on it refuses new connections of "
        f"{'these names' if len(names) > 1 else 'this name'}. One that is open goes on: end it "
        "by systemctl restart mosquitto; the others come back by themselves, and lose nothing.\n"
        f"for a new identity: relay renew {shown(folder)} NAME"
    )
    if as_json:
        _print_certificates(_listed(folder, names))


@relay.command()
@click.argument("file", metavar="FILE", type=click.Path(path_type=Path))
@sending_options
@click.option("--json", "as_json", is_flag=True, help="A line of what was sent, for programs.")
def send(*, file: Path, relay: TypedRelay, as_json: bool) -> None:
    """Send the journal FILE until the central record has all of it.

    Such as an archive, or what a full disk has left. What the record has already is not sent
    again. The registers beside FILE are sent too; runs that a program still writes are left to it.
    """
    options = relay.options(None, keeps=True)
    if options is None:
        raise UsageError("say by which broker: --relay mqtts://HOST.")
    from benchwatch.relay.station.journal_sender import JournalSender  # noqa: PLC0415 - for this job only

    sender = JournalSender(options, file, narrate)
    narrate(f"sends {shown(file)} as {options.station} by {options.address}; Ctrl-C ends it")
    sent = sender.send()
    if as_json:
        print_json(
            {"kind": "sent", "journal": str(file), "station": options.station, "runs": sent.runs,
             "still_written": sent.still_written}
        )  # fmt: skip
    else:
        print_text(str(sent))


@relay.command()
@_folder_argument
@_json_option
def show(*, folder: Path, as_json: bool) -> None:
    """List the certificates of DIR, and which of them count."""
    issued = _listed(folder)
    if as_json:
        _print_certificates(issued)
        return
    now = utc_now()
    rows = [
        (one.name, f"{one.ends:%Y-%m-%d}", _state(one, now), " ".join(one.hosts)) for one in issued
    ]
    print_text(align_table(("name", "until", "state", "reached as"), rows))
    with open_relay_folder(folder) as opened:
        narrate(f"the authority itself ends {opened.authority.ends:%Y-%m-%d}")


def _listed(folder: Path, names: tuple[str, ...] | None = None) -> list[Issued]:
    """Return the certificates of some names, or of all, as they are listed."""
    with open_relay_folder(folder) as opened:
        return sorted((one for one in opened.issued if names is None or one.name in names),
                      key=_place)  # fmt: skip


def _print_certificates(issued: list[Issued]) -> None:
    now = utc_now()
    for one in issued:
        print_json(
            {"kind": "certificate", "name": one.name, "serial": f"{one.serial:x}",
             "hosts": list(one.hosts), "begins": _moment(one.begins), "ends": _moment(one.ends),
             "state": _state(one, now),
             "revoked": None if one.revoked is None else _moment(one.revoked)}
        )  # fmt: skip


def _numbered(prefix: str, count: int) -> list[str]:
    width = max(len(str(count)), 3)
    return [f"{prefix}-{number:0{width}}" for number in range(1, count + 1)]


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
    file = folder / BROKER / CONFIGURATION
    _narrate_lines(
        f"{shown(file)} is for programs on this computer only (127.0.0.1, port {port}): no names, "
        "no certificates, no encryption.\n"
        f"start the broker: {mosquitto_words()} -c {shown(file)}\n"
        f"its address: mqtt://127.0.0.1:{port}"
    )


def mosquitto_words(program: Path = DEBIANS_MOSQUITTO) -> str:
    """Return how mosquitto is typed here: Debian has it in a folder that users don't search.

    Args:
        program: where Debian has it.
    """
    if shutil.which("mosquitto") is None and program.exists():
        return str(program)
    return "mosquitto"


def _say_made(
    folder: Path, hosts: list[str], stations: list[str], port: int, broker_folder: Path | None
) -> None:
    """Say what was made, and what is to be done with it."""
    place = shown(folder)
    names = stations[0] if len(stations) == 1 else f"{stations[0]} to {stations[-1]}"
    whose = (
        "the identity of the station "
        if len(stations) == 1
        else f"an identity for each of {len(stations)} stations: "
    )
    where = (
        f"to {shown(broker_folder)} there"
        if broker_folder is not None
        else "readable for the account that runs mosquitto"
    )
    _narrate_lines(
        f"{place}/broker/     for the broker, reached as {', '.join(hosts)}, port {port}: "
        f"{where}\n"
        f"{place}/keeper/     the identity of the keeper\n"
        f"{place}/desk/       the identity of desks\n"
        f"{place}/stations/   {whose}{names}\n"
        f"{place}/authority/  its key makes certificates: keep this folder offline. Whoever has "
        "it can be any station.\n"
        "each private key is for one computer: only its user can read it, and nobody else needs "
        "it.\n"
        "certificates count two years: relay show lists them, relay renew makes new ones.\n"
        f"start the broker: {mosquitto_words()} -c "
        f"{shown((broker_folder or folder / BROKER) / CONFIGURATION)}"
    )


def _say_renewed(name: str, place: Path) -> None:
    """Say what is to be done with the new files of a part."""
    if name == BROKER:
        narrate(
            f"{shown(place)}/ has a new server.crt and server.key: copy both to the broker, "
            "then reload it (systemctl reload mosquitto); connections go on."
        )
    else:
        narrate(
            f"{shown(place)}/ is the new identity of {name}: copy it over the one there. "
            "Its program reads it when it connects the next time."
        )


def _narrate_lines(text: str) -> None:
    for line in text.splitlines():
        narrate(line)
