"""Writes the text of a configuration file in which every key is explained and none is used yet."""

from typing import Final

from benchwatch.config_tables import ConfigKey, ConfigTable

DRAFT_HEAD: Final = """\
# What you are used to, for every bench: benchwatch config says what holds, and why.
# A line that begins with # counts for nothing: take the sign away to use it. What you type comes
# before a variable such as BENCHWATCH_BELL, that before a bench file and the unit, these before
# this file.
"""
_COMMENT_COLUMN: Final = 32
"""Column in which the comments of the keys begin."""


def configuration_draft(table: ConfigTable) -> str:
    """Return the text of the file that `table` declares: every key as a comment, explained."""
    parts = [DRAFT_HEAD, *(_lines(name, key) for name, key in table.keys.items())]
    for name, inner in table.tables.items():
        rows = [f"# [{name}]".ljust(_COMMENT_COLUMN) + f"  # {inner.explanation}"]
        rows += [
            f"# {action} = {key.example}".ljust(_COMMENT_COLUMN) + f"  # {key.explanation}"
            for action, key in inner.keys.items()
        ]
        parts.append("\n".join(rows) + "\n")
    return "\n".join(parts)


def _lines(name: str, key: ConfigKey) -> str:
    return f"# {key.explanation}\n# {name} = {key.example}\n"
