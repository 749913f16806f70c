"""What is typed about visits: which entry, which moment, which new offset; and runs by number."""

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from benchwatch.errors import FileError, JournalError, UsageError
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.journal.journal_reader import JournalReader
from benchwatch.register import RegisterReader, Visit
from benchwatch.register.register_entry import RegisterEntry
from benchwatch.register.visit_import import TypedOffset, typed_record


def amended_entry(
    register: RegisterReader, visit: Visit, typed: str | None, *, of_unit: bool
) -> RegisterEntry:
    """Return the entry that was typed, or the one that states the unit.

    Raises:
        UsageError: none was typed, or there is no such entry.
    """
    if typed is not None:
        return register.entry(typed)
    if not of_unit:
        raise UsageError(
            f"which entry? visits show {visit.number} names those of that visit; type its number "
            "after that of the visit."
        )
    stating = "visit = ? AND kind IN ('visit', 'named')"
    return list(register.entries(stating, (visit.name,)))[-1]


def changed_record(entry: RegisterEntry, typed: TypedOffset) -> dict[str, Any]:
    """Return the record of an entry with another offset; u is what was typed with it.

    Raises:
        UsageError: the entry is no record.
    """
    try:
        record = OffsetRecord.from_dict(entry.values()["record"])
    except (FileError, KeyError, TypeError) as error:
        raise UsageError(f"entry {entry.number} is no record, and has no offset.") from error
    made = typed_record(
        record.kind, typed, utc_s=record.utc_s, nominal_hz=record.nominal_hz,
        counter=record.counter, conditions=record.conditions,
    )  # fmt: skip
    return {"record": replace(made, span_s=record.span_s, readings=record.readings).as_dict()}


def run_numbers_of(visit: Visit, folder: Path) -> dict[int, int]:
    """Return the numbers of a visit's runs in the journals in `folder`, by key of the run.

    What can't be read is left out, and so are runs that were moved to an archive.
    """
    found: dict[int, int] = {}
    for name in sorted({run.journal for run in visit.runs}):
        journal = folder / Path(name).name
        try:
            if name and journal.is_file():
                with JournalReader(journal) as reader:
                    found |= {run.key: run.number for run in reader.runs()}
        except JournalError:
            continue
    return {run.key: found[run.key] for run in visit.runs if run.key in found}


def local_moment(text: str, option: str, *, end: bool = False) -> float:
    """Read a date, or a date and time, in local time; `end`: a date means its end.

    Raises:
        UsageError: it is none.
    """
    from benchwatch.recording.dates import read_moment  # noqa: PLC0415 - numpy is slow to load

    try:
        utc_s = read_moment(text, option)
    except FileError as error:
        raise UsageError(str(error)) from error
    try:
        moment = datetime.fromisoformat(text.strip())
        if moment.tzinfo is None:
            days = 1 if end and len(text.strip()) <= 10 else 0
            return (moment + timedelta(days=days)).astimezone().timestamp()
    except (ValueError, OverflowError, OSError):
        return utc_s
    return utc_s
