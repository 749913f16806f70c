"""``benchwatch keep``: writes what stations send to the central record, makes it and shows it."""

import signal
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import click

from benchwatch.central_record.record_address import RecordAddress, parse_record
from benchwatch.commands.benches_elsewhere.record_archive import archive_options, keep_archive
from benchwatch.commands.benches_elsewhere.record_status_text import print_status, print_status_json
from benchwatch.commands.common.output import narrate, print_text
from benchwatch.errors import INTERRUPTED, UsageError
from benchwatch.quantity import listed, printable
from benchwatch.system.stop_signals import STOP_SIGNALS, wait_until_set

LONGEST_BROKER_WAIT_S = 5.0
"""Longest wait between two attempts to reach the broker: all stations wait for one keeper."""
LAST_ANSWERS_S = 2.0
"""Longest wait for the last answers to leave at the end."""


@click.command()
@click.argument("address", metavar="RECORD")
@click.option("--broker", metavar="URL", help="Where stations send to, such as mqtts://HOST.")
@click.option(
    "--relay-identity",
    "identity",
    metavar="DIR",
    type=click.Path(path_type=Path),
    help="Folder with this keeper's certificate, as relay init wrote it.",
)
@click.option("--init", is_flag=True, help="Make the central record, or bring it up to date.")
@click.option("--status", is_flag=True, help="Say what the central record holds, and how new.")
@archive_options
@click.option("--json", "as_json", is_flag=True, help="JSON lines, for programs.")
def keep(
    *,
    address: str,
    broker: str | None,
    identity: Path | None,
    init: bool,
    status: bool,
    archive_folder: Path | None,
    drop_archived: bool,
    older_than: float | None,
    as_json: bool,
) -> int:
    """Write what stations send to the central record, and answer once it is committed.

    RECORD is the PostgreSQL database of the central record: postgresql://USER@HOST/DATABASE.
    With --broker it goes on until interrupted. Nothing is lost if it is killed, or if the broker
    or the database is away: stations send again what was not answered.
    """
    archives = archive_folder is not None or drop_archived
    asked = {"--broker": broker is not None, "--init": init, "--status": status,
             "--archive or --drop-archived": archives}  # fmt: skip
    named = [option for option, is_asked in asked.items() if is_asked]
    if len(named) > 1:
        raise UsageError(f"{listed(named)} are different jobs: type one of them at a time.")
    if identity is not None and broker is None:
        raise UsageError("--relay-identity says who connects: --broker says to which broker.")
    if older_than is not None and not archives:
        raise UsageError("--older-than says what is old for --archive DIR or --drop-archived.")
    if as_json and not (status or archives):
        raise UsageError("--json is for --status, --archive and --drop-archived.")
    if not named:
        raise UsageError(
            "say what to do: --broker mqtts://HOST keeps what stations send, --init makes the "
            "central record, --status shows it, --archive DIR writes old days to files."
        )
    record = parse_record(address)
    if broker is not None:
        return _keep(record, broker, identity)
    if init:
        _initialise(record)
    elif status:
        _show_status(record, as_json=as_json)
    else:
        keep_archive(record, archive_folder, older_than, drop=drop_archived, as_json=as_json)
    return 0


def _keep(record: RecordAddress, broker: str, identity_folder: Path | None) -> int:
    from benchwatch.relay.broker_address import (  # noqa: PLC0415 - for this job only
        check_is_here,
        parse_broker,
    )
    from benchwatch.relay.broker_listener import connection_for  # noqa: PLC0415
    from benchwatch.relay.identity import Identity  # noqa: PLC0415
    from benchwatch.relay.keeper.keeper import Keeper  # noqa: PLC0415
    from benchwatch.relay.station_name import KEEPER  # noqa: PLC0415

    address = parse_broker(broker)
    if identity_folder is None:
        check_is_here(address, "who keeps", "the folder keeper that relay init wrote")
    identity = None if identity_folder is None else Identity.load(identity_folder)
    if identity is not None and identity.name != KEEPER:
        raise UsageError(
            f"{printable(str(identity_folder))} is the identity of {identity.name}, and a broker "
            f"lets only {KEEPER} hear batches: give the folder of that name."
        )
    for caution in () if identity is None else identity.cautions:
        narrate(caution)
    keeper = Keeper(record, narrate)
    connection = connection_for(
        keeper, address, identity, client_id="keeper", longest_wait_s=LONGEST_BROKER_WAIT_S
    )
    keeper.sender = connection
    stop = threading.Event()
    for number in STOP_SIGNALS:
        signal.signal(number, lambda *_: stop.set())
    narrate(f"keeps what comes by {address} in {record.shown}; Ctrl-C ends it")
    connection.start()
    try:
        # On a thread of its own: a handler must not wait for a lock that its own thread holds.
        with ThreadPoolExecutor(1) as thread:
            kept = thread.submit(keeper.run)
            kept.add_done_callback(lambda _: stop.set())
            try:
                wait_until_set(stop)
            finally:
                keeper.stop()
        kept.result()
    finally:
        connection.stop(LAST_ANSWERS_S)
    narrate("ended; what was not answered comes again")
    return INTERRUPTED


def _show_status(record: RecordAddress, *, as_json: bool) -> None:
    from benchwatch.central_record.record_status import (  # noqa: PLC0415 - needs an extra
        read_status,
    )

    found = read_status(record)
    (print_status_json if as_json else print_status)(record, found, time.time())


def _initialise(record: RecordAddress) -> None:
    from benchwatch.central_record.record_schema import (  # noqa: PLC0415 - needs an extra
        initialise,
    )

    outcome = initialise(record)
    for sentence in outcome.done:
        narrate(sentence)
    if outcome.left:
        narrate(
            "this role could not do the rest. Let the server's administrator run these statements:"
        )
        for statement in outcome.left:
            print_text(f"{statement};")
    else:
        narrate(
            "give the roles to accounts that log in: CREATE ROLE name LOGIN PASSWORD '...' IN ROLE "
            "benchwatch_keeper (or benchwatch_reader)"
        )
