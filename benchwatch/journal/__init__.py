"""The journal: every reading on disk, in SQLite, before it is shown.

In: the events of a run. Out: runs and their events, in the order of writing.

Writing: writer (`Journal`), run_writer, backlog, open_file. Reading: journal_reader,
journal_contents, archive; resume and trim_entries for a run that continues an interrupted one.
Damage: damaged_file, recovery, page_scan, write_ahead_log. Shared: schema, journal_file,
sqlite_errors.
"""

from benchwatch.journal.journal_file import default_path
from benchwatch.journal.writer import Journal, new_key

__all__ = ["Journal", "default_path", "new_key"]
