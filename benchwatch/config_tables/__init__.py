"""One reader of the TOML files that people write: bench files, profiles and simulated benches.

In: a file, and the declaration of its tables and keys. Out: checked values, or a sentence that
names file, key and value. `json_schema` writes a JSON schema of the same declaration, for editors.
"""

from benchwatch.config_tables.declarations import ConfigKey, ConfigTable, Repeated
from benchwatch.config_tables.table_reader import (
    Location,
    did_you_mean,
    read_tables,
    wrong_value,
)
from benchwatch.config_tables.toml_text import parse_toml, read_config_text, toml_string
from benchwatch.config_tables.value_kinds import (
    DURATION,
    FRACTION,
    FREQUENCY,
    SWITCH,
    ValueKind,
    WrongValue,
    as_written,
    list_of,
    mapping,
    number,
    one_of,
    quantity,
    text,
    whole_number,
)

__all__ = [
    "DURATION",
    "FRACTION",
    "FREQUENCY",
    "SWITCH",
    "ConfigKey",
    "ConfigTable",
    "Location",
    "Repeated",
    "ValueKind",
    "WrongValue",
    "as_written",
    "did_you_mean",
    "list_of",
    "mapping",
    "number",
    "one_of",
    "parse_toml",
    "quantity",
    "read_config_text",
    "read_tables",
    "text",
    "toml_string",
    "whole_number",
    "wrong_value",
]
