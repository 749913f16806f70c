"""Writes the JSON schema (draft 2020-12) of a declared file, for completion and checks in editors.

A schema lists tables and keys with their types and explanations. What a type does not decide, such
as whether a quantity can be read, is left to the reader.
"""

import tomllib
from datetime import date
from typing import Any, Final

from benchwatch.config_tables.declarations import ConfigKey, ConfigTable

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"


def json_schema(table: ConfigTable, title: str) -> dict[str, Any]:
    """Return the schema of the file that `table` declares."""
    return {"$schema": DIALECT, "title": title, **_table(table)}


def _table(table: ConfigTable) -> dict[str, Any]:
    entries = table.entries.items()
    one: dict[str, Any] = {
        "type": "object",
        "properties": {
            name: _key(entry) if isinstance(entry, ConfigKey) else _table(entry)
            for name, entry in entries
        },
        "additionalProperties": False,
    }
    if required := [name for name, entry in entries if entry.required]:
        one["required"] = required
    schema = one
    if table.repeated == "named":
        names = {"pattern": f"^{table.name_pattern}$"}
        schema = {"type": "object", "propertyNames": names, "additionalProperties": one}
        if table.required:
            schema["minProperties"] = 1
    elif table.repeated == "array":
        schema = {"type": "array", "items": one}
        if table.required:
            schema["minItems"] = 1
    return {"description": table.explanation, **schema}


def _key(key: ConfigKey) -> dict[str, Any]:
    return {**key.kind.schema, "description": key.explanation, "examples": [_example(key)]}


def _example(key: ConfigKey) -> Any:
    value = tomllib.loads(f"example = {key.example}")["example"]
    return value.isoformat() if isinstance(value, date) else value
