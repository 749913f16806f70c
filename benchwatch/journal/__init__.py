"""The journal: every reading on disk, in SQLite, before anybody sees it.

In: the events of a run. Out: runs and their events, in the order of writing.

writer            `Journal`, which writes readings as they come and goes on while it can't
run_writer        the entries of one run
backlog           events that the file does not take: in memory, at the end in another file
open_file         the file while it is open for writing
write_ahead_log   how much the log beside it holds, against what SQLite recovers
resume            which interrupted run the next one goes on with, and what it left
trim_entries      what is kept of a trim beside its readings, read back
journal_reader    runs and events read back
archive           old runs moved to a file of their own
journal_contents  what a journal holds, and how much room it takes
damaged_file      a damaged file set aside, and recovered in the background
recovery          the rows of a file, whole or damaged, copied to another
page_scan         the rows that are left in single pages
journal_file      where the file is, and whether it can serve as a journal
schema            the tables, and how runs and events become rows
sqlite_errors     what an error of SQLite means to a person
"""

from benchwatch.journal.journal_file import default_path
from benchwatch.journal.writer import Journal, new_key

__all__ = ["Journal", "default_path", "new_key"]
