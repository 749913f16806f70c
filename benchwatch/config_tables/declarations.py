"""What a configuration file may hold, as data: its tables, and the keys of each.

The reader and its messages, the drafts and the JSON schemas are all made from these declarations.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from benchwatch.config_tables.value_kinds import ValueKind

Repeated = Literal["no", "named", "array"]
"""``named``: ``[counters.main]``, any number of tables by name; ``array``: ``[[examples]]``."""
NAME: Final = r"[A-Za-z][A-Za-z0-9_-]{0,31}"
"""Pattern of the name of a table that is repeated by name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfigKey:
    """A key of a table."""

    kind: ValueKind
    example: str
    """Its value as it may stand in the file."""
    explanation: str
    """What it is for, one line."""
    required: bool = False
    default: object = None
    """Its value, as read, where the key is left out; None: it has no value then."""
    field: str = ""
    """Its name among the values read, where that differs from the key's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfigTable:
    """A table; the whole file is one too."""

    entries: Mapping[str, "ConfigKey | ConfigTable"]
    explanation: str = ""
    required: bool = False
    repeated: Repeated = "no"
    name_pattern: str = NAME
    begin_with: tuple[str, ...] = ()
    """Keys proposed in the message where the table is missing; empty: the required ones."""

    @property
    def keys(self) -> dict[str, ConfigKey]:
        """Its keys by name, without the tables within it."""
        return {name: key for name, key in self.entries.items() if isinstance(key, ConfigKey)}

    @property
    def tables(self) -> "dict[str, ConfigTable]":
        """The tables within it by name."""
        return {name: one for name, one in self.entries.items() if isinstance(one, ConfigTable)}

    def header(self, path: tuple[str, ...], name: str = "NAME") -> str:
        """Return the line that begins the table in a file, such as ``[counters.NAME]``."""
        if self.repeated == "array":
            return f"[[{'.'.join(path)}]]"
        return f"[{'.'.join([*path, name] if self.repeated == 'named' else path)}]"
