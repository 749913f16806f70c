"""The declaration of the configuration file: reader, draft and schema are made from its keys."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from benchwatch.bench import BACKENDS
from benchwatch.colours import THEMES
from benchwatch.config_tables import (
    SWITCH,
    ConfigKey,
    ConfigTable,
    ValueKind,
    WrongValue,
    as_written,
    one_of,
    quantity,
    text,
)
from benchwatch.configuration.key_names import KeyName, read_key_name
from benchwatch.quantity import OFFSET_UNITS, parse_settle, parse_tolerance
from benchwatch.system.file_names import home_path

LONGEST_PATH: Final = 4096
KEYS_TABLE: Final = "keys"
"""The table of the screen's keys."""
MOST_KEYS: Final = 4
"""Most keys of one action."""


def _path(written: str) -> Path:
    """Read a path in which ``~`` stands for the user's home."""
    return home_path(written.strip())


SETTINGS: Final = {
    "bench": ConfigKey(
        kind=text(longest=LONGEST_PATH).then(_path),
        example='"~/bench.toml"',
        explanation="the bench file that watch takes where no counter is named",
    ),
    "backend": ConfigKey(
        kind=one_of(*BACKENDS),
        example='"@ivi"',
        explanation="the VISA library where neither you nor the bench file names one",
    ),
    "tolerance": ConfigKey(
        kind=as_written(quantity("a fraction", parse_tolerance)),
        example='"5 ppb"',
        explanation="the tolerance where neither you, the bench file nor the unit has one",
    ),
    "settle": ConfigKey(
        kind=as_written(quantity("a fraction over a time", parse_settle)),
        example='"1 ppb/10 min"',
        explanation="what settled means where neither you, the bench file nor the unit says it",
    ),
    "display_unit": ConfigKey(
        kind=one_of(*(unit.name for unit in OFFSET_UNITS)),
        example='"ppb"',
        explanation="the unit of fractions that the screen and plain lines begin with",
    ),
    "theme": ConfigKey(
        kind=one_of(*THEMES),
        example='"light"',
        explanation="the colours of the screen and of the page",
    ),
    "bell": ConfigKey(
        kind=SWITCH,
        example="false",
        explanation="whether the bell rings when the oscillator settles",
    ),
}
"""Every setting but the keys. Each has a variable of the environment too, ``BENCHWATCH_BELL``."""


def _keys(value: Any) -> tuple[KeyName, ...]:
    """Read the key or the keys of one action."""
    words = value if isinstance(value, list) else [value]
    if not 0 < len(words) <= MOST_KEYS or not all(isinstance(word, str) for word in words):
        raise WrongValue(f"expected a key in quotes, or a list of {MOST_KEYS} at most")
    return tuple(dict.fromkeys(map(read_key_name, words)))


KEY_KIND: Final = ValueKind(
    _keys,
    {
        "anyOf": [
            {"type": "string", "minLength": 1},
            {
                "type": "array",
                "minItems": 1,
                "maxItems": MOST_KEYS,
                "items": {"type": "string", "minLength": 1},
            },
        ]
    },
)
"""One key or several that do the same."""


def _table_of_keys(value: Any) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise WrongValue(f"expected a table, written [{KEYS_TABLE}] on a line of its own")
    return value


_UNCHECKED_KEYS: Final = ConfigKey(
    kind=ValueKind(_table_of_keys, {"type": "object"}),
    example='{ note = "m" }',
    explanation="the screen's keys",
)


def configuration_table(actions: Mapping[str, tuple[str, str]] | None = None) -> ConfigTable:
    """Return the declaration of the file.

    Args:
        actions: the screen's actions that may have another key, by their ids: the usual key as it
            stands in a file, and what it does; None: the keys are not looked into, as only the
            screen knows its actions and takes a while to import.
    """
    keys: ConfigKey | ConfigTable = _UNCHECKED_KEYS
    if actions is not None:
        keys = ConfigTable(
            explanation="keys of the screen, in place of the usual ones",
            entries={
                name: ConfigKey(kind=KEY_KIND, example=example, explanation=about)
                for name, (example, about) in actions.items()
            },
        )
    return ConfigTable(
        explanation="what one person is used to, on every bench",
        entries={**SETTINGS, KEYS_TABLE: keys},
    )
