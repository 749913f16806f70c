"""``benchwatch keep``: writes what stations send to the central record, makes it and shows it."""

from pathlib import Path

import click

from benchwatch.central_record.record_address import RecordAddress, parse_record
from benchwatch.commands.common.output import narrate, print_text
from benchwatch.commands.common.record_archive import archive_options, keep_archive
from benchwatch.errors import UsageError


@click.command()
@click.argument("address", metavar="RECORD")
@click.option("--init", is_flag=True, help="Make the central record, or bring it up to date.")
@archive_options
@click.option("--json", "as_json", is_flag=True, help="JSON lines, for programs.")
def keep(
    *,
    address: str,
    init: bool,
    archive_folder: Path | None,
    drop_archived: bool,
    older_than: float | None,
    as_json: bool,
) -> None:
    """Write what stations send to the central record, and answer once it is committed.

    RECORD is the PostgreSQL database of the central record: postgresql://USER@HOST/DATABASE.
    """
    record = parse_record(address)
    if init:
        _initialise(record)
        return
    if archive_folder is not None or drop_archived:
        keep_archive(record, archive_folder, older_than, drop=drop_archived, as_json=as_json)
        return
    if older_than is not None:
        raise UsageError("--older-than says what is old for --archive DIR or --drop-archived.")
    raise UsageError("say what to do: --init makes the central record.")


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
