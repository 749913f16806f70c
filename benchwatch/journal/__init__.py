"""The journal: every reading on disk, in SQLite, before anybody sees it.

Events of a run come in; what comes back are runs and their events, in order.

writer      `Journal`, which writes readings as they come and goes on while it can't
open_file   the file while it is open for writing
rescue      what the file would not take at the end, kept elsewhere
backlog     the events that wait for the file, in bounded memory
resume      what an interrupted run left, for the next one to go on with
reader      runs and events read back
archive     old runs moved to a file of their own
survey      what a journal holds, and how much room it takes
damage      a damaged file set aside, and what can be read of it carried over
salvage     the rows of a file, whole or damaged
pages       the rows that are left in single pages
place       where the file is, and whether what is there can serve
schema      the tables, and how runs and events become rows
faults      what an error of SQLite means to a person
"""

from benchwatch.journal.journal_file import default_path
from benchwatch.journal.writer import Journal, new_key

__all__ = ["Journal", "default_path", "new_key"]
