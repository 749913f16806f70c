"""The register: units, visits and records in one file that is only added to.

In: drafts of entries (`Draft`). Out: units and visits as they stand now (`RegisterReader`).

Entries: register_entry, register_schema, register_file (`RegisterFile` adds and opens for reading).
What they state: registered_unit (`Unit`), visit (`Visit`), issued_report, register_reader. A live
watch writes through visit_writer; left_over keeps what the register did not take. Lists:
visit_search and visit_summary. chain_check finds entries that were changed; register_merge and
register_repair bring registers together and mend a damaged one.
"""

from benchwatch.register.register_file import RegisterFile, register_path
from benchwatch.register.register_reader import (
    RegisterReader,
    RegisterSource,
    read_register,
    register_source,
)
from benchwatch.register.registered_unit import Unit, read_ident
from benchwatch.register.visit import Visit

__all__ = [
    "RegisterFile",
    "RegisterReader",
    "RegisterSource",
    "Unit",
    "Visit",
    "read_ident",
    "read_register",
    "register_path",
    "register_source",
]
