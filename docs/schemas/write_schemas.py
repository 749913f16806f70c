"""Writes the JSON schemas in this folder, as ``benchwatch schema`` prints them.

Run it after adding or changing a key: ``python docs/schemas/write_schemas.py``.
"""

import json
from pathlib import Path

from benchwatch.commands.common.schema_list import FILE_TABLES, SCHEMA_TITLES, schema_of

FILES = {name: (table(), title) for name, (table, title) in FILE_TABLES.items()}


def schema_texts() -> dict[str, str]:
    """Return the text of each schema, by the name of its file."""
    return {
        f"{name}.schema.json": json.dumps(schema_of(name), indent=2) + "\n"
        for name in SCHEMA_TITLES
    }


if __name__ == "__main__":
    for file, text in schema_texts().items():
        (Path(__file__).parent / file).write_text(text, encoding="utf-8")
