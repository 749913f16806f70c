"""What is typed about visits, a moment, and their runs by number."""

from datetime import datetime, timedelta
from pathlib import Path

from benchwatch.central_record.run_place import RunPlace
from benchwatch.errors import FileError, JournalError, UsageError
from benchwatch.journal.journal_reader import JournalReader
from benchwatch.register import Visit


def run_numbers_of(visit: Visit, where: Path | RunPlace) -> dict[int, int]:
    """Return the numbers of a visit's runs in the journals of a folder, by key of the run.

    What can't be read is left out, and so are runs that were moved to an archive. `where` may be a
    central record too.
    """
    if isinstance(where, RunPlace):
        from benchwatch.measured_visit.run_places import place_runs  # noqa: PLC0415 - only here

        placed = (one.run for one in place_runs(visit, where).runs)
        return {run.key: run.number for run in placed if run is not None}
    found: dict[int, int] = {}
    for name in sorted({run.journal for run in visit.runs}):
        journal = where / Path(name).name
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
