"""``benchwatch journal``: shows, archives, merges and repairs the journal."""

import sqlite3
import time
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import click

from benchwatch.commands.common.journal_places import (
    JOURNAL_TO_READ,
    JOURNAL_TO_WRITE,
    JournalPlace,
    at_station,
    one_station,
    station_option,
)
from benchwatch.commands.common.option_types import DURATION, refuse_together
from benchwatch.commands.common.output import narrate, print_json, print_text
from benchwatch.commands.common.run_table import print_runs, print_runs_json
from benchwatch.errors import BenchwatchError, JournalError, UsageError
from benchwatch.journal import Journal, default_path
from benchwatch.journal.archive import archive as archive_runs
from benchwatch.journal.archive import has_database
from benchwatch.journal.damaged_file import LONGEST_WAIT_S, recovery_words
from benchwatch.journal.journal_contents import JournalContents, read_contents
from benchwatch.journal.journal_file import inode
from benchwatch.journal.open_file import OpenFile
from benchwatch.journal.recovery import is_damaged, recover
from benchwatch.journal.run_list import list_runs, list_runs_of
from benchwatch.journal.sqlite_errors import sentence
from benchwatch.quantity import how_many
from benchwatch.recording.dates import read_moment

USUAL_RUNS = 20
"""Runs that are listed where nothing else is typed."""

_journal_option = click.option(
    "--journal",
    "path",
    type=JOURNAL_TO_WRITE,
    help="The journal; the one that watch uses by itself if left out.",
)
_json_option = click.option("--json", "as_json", is_flag=True, help="JSON, for programs.")


@click.group(invoke_without_command=True)
@_journal_option
@_json_option
@click.pass_context
def journal(context: click.Context, path: Path | None, as_json: bool) -> int:
    """Say what the journal holds and how much room it takes.

    Watches may go on meanwhile. The exit code is 1 when the file is damaged.
    """
    if context.invoked_subcommand is not None:
        if path is not None or as_json:
            name = context.invoked_subcommand
            raise UsageError(
                f"write the options after the word {name}: journal {name} --journal ..."
            )
        return 0
    found = read_contents(path or default_path())
    if as_json:
        print_json(_values(found))
    else:
        for name, text in _rows(found):
            print_text(f"{name:<9} {text}")
    if found.damage is None:
        return 0
    narrate("benchwatch journal repair keeps the file, and carries over what can be read of it")
    return BenchwatchError.exit_code


@journal.command()
@click.option(
    "--last",
    type=click.IntRange(min=1),
    default=USUAL_RUNS,
    show_default=True,
    help="Only so many, the newest.",
)
@click.option("--all", "all_runs", is_flag=True, help="All, however many.")
@click.argument("file", required=False, type=JOURNAL_TO_READ)
@click.option(
    "--journal", "path", type=JOURNAL_TO_READ, help="As FILE; the journal of watch if left out."
)
@station_option
@_json_option
def runs(
    *,
    last: int,
    all_runs: bool,
    file: JournalPlace | None,
    path: JournalPlace | None,
    station: str | None,
    as_json: bool,
) -> None:
    """List the runs of the journal or of FILE, oldest first.

    FILE is a journal, a central record, or a file or folder of its archive. A run is one
    counter's part of a watch. Its number stays in a journal: replay, budget, stability and
    compare read it with --run NUMBER. Times are local.
    """
    refuse_together(("FILE", file is not None), ("--journal", path is not None))
    now_s, most = time.time(), None if all_runs else last
    place = at_station(file or path, station) or default_path()
    if isinstance(place, Path):
        found = list_runs(place, now_s, most)
    else:
        with (place if station is None else one_station(place)).open() as record:
            found = list_runs_of(record, now_s, most)
    if as_json:
        print_runs_json(found)
    elif found:
        print_runs(found, now_s)
    if not found:
        what = "journal" if isinstance(place, Path) else "central record"
        narrate(f"the {what} holds no runs yet.")
    elif not all_runs and len(found) == last:
        narrate(f"these are the newest {last}; --all lists all.")


@journal.command()
@click.argument("into", metavar="FILE", type=JOURNAL_TO_WRITE)
@click.option("--before", metavar="DATE", help="Move what ended before this date, UTC.")
@click.option("--older-than", type=DURATION, help="Move what ended longer ago, such as 90d.")
@_journal_option
@_json_option
def archive(
    *,
    into: Path,
    before: str | None,
    older_than: float | None,
    path: Path | None,
    as_json: bool,
) -> int:
    """Move old runs from the journal to FILE.

    That gives their room back to the disk. FILE is made, or added to when it was written so
    before. It is a journal too: replay, stability and budget read it. Watches may go on
    meanwhile; what they write stays. Nothing is lost when this is killed: do it again, and it
    finishes.
    """
    if (before is None) == (older_than is None):
        raise UsageError("say which runs are old: with --before DATE or with --older-than 90d.")
    if before is not None:
        moment = read_moment(before, "--before")
    else:
        assert older_than is not None
        moment = time.time() - older_than
    source = path or default_path()
    done = archive_runs(source, into, moment)
    if as_json:
        print_json(
            {"kind": "archived", "journal": str(source), "into": str(into), "runs": done.runs,
             "events": done.events, "unended": done.unended, "bytes_before": done.bytes_before,
             "bytes_after": done.bytes_after}
        )  # fmt: skip
    else:
        moved = f"{how_many(done.runs, 'run')} with {_events(done.events)}"
        sizes = f"{_size(done.bytes_before)} before, {_size(done.bytes_after)} now"
        print_text(f"{moved} moved to {into}; the journal takes {sizes}")
    if done.unended:
        narrate(
            f"{how_many(done.unended, 'old run')} without an end stay: they may still be watched. "
            "Do it again when no watch runs."
        )
    return 0


@journal.command()
@click.argument("file", type=JOURNAL_TO_WRITE)
@_journal_option
@_json_option
def merge(*, file: Path, path: Path | None, as_json: bool) -> int:
    """Put all that can be read of FILE into the journal.

    FILE is an archive, a damaged journal that was set aside, or what a watch left elsewhere
    because the journal would not take it. It stays as it is; what the journal has already
    stays too.
    """
    target = path or default_path()
    if not file.is_file():
        raise JournalError(f"there is no file {file}.")
    if inode(file) == inode(target):
        raise JournalError(f"{file} is the journal itself: give another file.")
    Journal(target).close()  # makes a missing journal, and refuses another kind of file
    try:
        with closing(
            sqlite3.connect(target.resolve(), timeout=LONGEST_WAIT_S, isolation_level=None)
        ) as open_target:
            done = recover(file, open_target)
    except sqlite3.Error as error:
        raise JournalError(
            f"{sentence(target, error)}. Do it again when that is mended."
        ) from error
    except OSError as error:
        raise JournalError(f"{file} can't be read: {error.strerror}.") from error
    if as_json:
        print_json({"kind": "merged", "journal": str(target), "from": str(file),
                  "runs": done.runs, "new_events": done.events})  # fmt: skip
    else:
        print_text(f"{how_many(done.runs, 'run')} found in {file}; {_events(done.events)} are new")
    if not done.runs and not has_database(file):
        raise JournalError(f"nothing of a journal is left in {file}.")
    return 0


@journal.command()
@_journal_option
@_json_option
def repair(*, path: Path | None, as_json: bool) -> int:
    """Set a damaged journal aside, and carry over what can be read.

    It gets a dated name. A watch does that by itself when it meets the damage. This looks for
    it everywhere in the file, and does nothing to one that is sound. Watches may go on
    meanwhile.
    """
    target = path or default_path()
    if not target.exists():
        raise JournalError(f"there is no journal at {target} yet.")
    if not is_damaged(target):
        if as_json:
            print_json({"kind": "repaired", "journal": str(target), "was_sound": True})
        else:
            print_text(f"{target} is sound")
        return 0
    try:
        file = OpenFile(target, utc_s=time.time(), damaged=inode(target), exclusive=path is None)
        aside = file.aside
        assert aside is not None
        narrate(f"the damaged journal is kept as {aside}")
        done = recover(aside, file.connection)
        file.close()
    except (sqlite3.Error, OSError) as error:
        raise JournalError(f"{sentence(target, error)}.") from error
    if as_json:
        print_json({"kind": "repaired", "journal": str(target), "was_sound": False,
                  "kept_as": str(aside), "runs": done.runs, "new_events": done.events})  # fmt: skip
    else:
        print_text(recovery_words(done, aside))
    return 0


def _events(number: int) -> str:
    return f"{number} readings and notes"


def _values(found: JournalContents) -> dict[str, object]:
    return {
        "kind": "journal", "path": str(found.path), "file_bytes": found.file_bytes,
        "log_bytes": found.log_bytes, "unused_bytes": found.unused_bytes,
        "disk_free_bytes": found.disk_free_bytes, "watches": found.watches, "runs": found.runs,
        "unended": found.unended, "readings": found.readings, "gaps": found.gaps,
        "records": found.records, "oldest": _when(found.oldest_utc_s),
        "newest": _when(found.newest_utc_s), "damage": found.damage,
        "others": [str(other) for other in found.others],
    }  # fmt: skip


def _rows(found: JournalContents) -> list[tuple[str, str]]:
    """Return the contents of the journal as pairs (name, text) for people."""
    unused = f", {_size(found.unused_bytes)} of it unused" if found.unused_bytes else ""
    unended = f", {found.unended} of them without an end (watched now, or killed)"
    runs = how_many(found.runs, "run")
    counts = ("reading", found.readings), ("gap", found.gaps), ("record", found.records)
    holds = ", ".join(how_many(number, what) for what, number in counts)
    rows = [
        ("journal", str(found.path)),
        ("file", f"{_size(found.file_bytes)}{unused}"),
        ("log", f"{_size(found.log_bytes)} beside it"),
        ("disk", f"{_size(found.disk_free_bytes)} free"),
        ("runs", runs + (unended if found.unended else "")),
        ("holds", holds if found.damage is None else "not counted"),
        ("oldest", _when(found.oldest_utc_s) or "-"),
        ("newest", _when(found.newest_utc_s) or "-"),
        ("sound", "yes" if found.damage is None else f"NO: {found.damage}"),
    ]
    return [*rows, *(("beside it", str(other)) for other in found.others)]


def _when(utc_s: float | None) -> str | None:
    if utc_s is None:
        return None
    try:
        return datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="seconds")[:19] + "Z"
    except (ValueError, OverflowError, OSError):
        return None


def _size(size: float) -> str:
    """Write a number of bytes with three digits and a unit."""
    for unit in ("B", "kB", "MB"):
        if size < 1000:
            return f"{size:.3g} {unit}"
        size /= 1000
    return f"{size:.3g} GB" if size < 1000 else f"{size:.0f} GB"
