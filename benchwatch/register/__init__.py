"""The register: units, visits and records in one file that is only added to.

In: drafts of entries (`Draft`). Out: units and visits as they stand now (`RegisterReader`).

Entries: register_entry, register_schema, register_file (`RegisterFile` adds and opens for reading).
What they state: registered_unit (`Unit`), visit (`Visit`), register_reader. A live watch writes
through visit_writer; chain_check finds entries that were changed.
"""

from benchwatch.register.register_file import RegisterFile, register_path
from benchwatch.register.register_reader import RegisterReader, read_register
from benchwatch.register.registered_unit import Unit, read_ident
from benchwatch.register.visit import Visit

__all__ = [
    "RegisterFile",
    "RegisterReader",
    "Unit",
    "Visit",
    "read_ident",
    "read_register",
    "register_path",
]
