"""Which keys a profile may hold, where each goes, and what those look like that it can't lack."""

from collections.abc import Mapping
from typing import Final

from benchwatch_drivers.profile import profile_values as read
from benchwatch_drivers.profile.profile import MEASURES, MODES

Keys = Mapping[str, tuple[str, read.Read]]
"""Key in the file -> field of the record, and how its value is read."""

TOP: Final[Keys] = {
    "family": ("family", read.text),
    "mode": ("mode", read.one_of(*MODES)),
    "measures": ("measures", read.one_of(*MEASURES)),
    "local": ("local", read.command),
    "channels": ("channels", read.table(read.channel, read.command)),
}
LINE: Final[Keys] = {
    "pattern": ("pattern", read.pattern),
    "terminator": ("terminator", read.one_of(*read.TERMINATORS)),
    "unit": ("unit", read.text),
    "scale": ("scale", read.number),
    "decimal_mark": ("decimal_mark", read.one_of(*read.DECIMAL_MARKS)),
    "headers": ("headers", read.table(read.text, read.text)),
    "overrange": ("overrange", read.pattern),
    "invalid": ("invalid", read.pattern),
    "ignore": ("ignore", read.pattern),
    "first_line": ("keeps_first", read.chosen("keep", "drop")),
    "doubled": ("counts_doubled", read.chosen("count", "drop")),
    "resolution": ("resolution", read.resolution),
    "cuts": ("by_terminator", read.chosen("terminator", "refused")),
}  # fmt: skip
READING: Final[Keys] = {
    "command": ("reading", read.command),
    "hands_out": ("hands_out_newest", read.chosen("newest", "new")),
}
GATE: Final[Keys] = {
    "fixed": ("fixed_s", read.duration),
    "query": ("query", read.command),
    "pattern": ("pattern", read.pattern),
    "unit": ("unit_s", read.unit_of_time),
    "answers": ("answers", read.table(str, read.duration)),
    "command": ("command", read.gate_command),
    "choices": ("choices", read.table(read.duration, read.command)),
}
REFERENCE: Final[Keys] = {
    "query": ("query", read.command),
    "internal": ("internal", read.pattern),
    "external": ("external", read.pattern),
}
IDENTITY: Final[Keys] = {
    "query": ("identity_query", read.command),
    "pattern": ("identity_pattern", read.pattern),
}
ERRORS: Final[Keys] = {"query": ("query", read.command), "none": ("none", read.pattern)}
TIMEOUT: Final[Keys] = {
    "gates": ("timeout_gates", read.times),
    "margin": ("timeout_margin_s", read.duration),
}
INTERVAL: Final[Keys] = {
    "period": ("period_s", read.exact_duration),
    "spacing": ("spacing_s", read.exact_duration),
    "starts": ("starts_with_source", read.chosen("source", "reference")),
}
EXAMPLE: Final[Keys] = {"line": ("line", read.text), "value": ("value", read.text)}

TABLES: Final[Mapping[str, Keys]] = {
    "line": LINE,
    "reading": READING,
    "gate": GATE,
    "reference": REFERENCE,
    "identity": IDENTITY,
    "errors": ERRORS,
    "timeout": TIMEOUT,
    "interval": INTERVAL,
}
_LINE_PATTERN: Final = r"pattern = '(?P<number>\d{8}\.\d{4})'"
_EXAMPLE_LINE: Final = 'line = "10000000.0231"'
NEEDED: Final[Mapping[str, Mapping[str, str]]] = {
    "": {
        "family": 'family = "counter of the tide house"',
        "mode": 'mode = "query", or "addressed", or "stream"',
        "line": f"[line] on a line of its own, and under it {_LINE_PATTERN}",
        "examples": f"[[examples]] on a line of its own, and under it {_EXAMPLE_LINE} "
        'and value = "10000000.0231 Hz"',
    },
    "line": {"pattern": _LINE_PATTERN},
    "reference": {
        "query": 'query = "ROSC:SOUR?"',
        "internal": "internal = 'INT'",
        "external": "external = 'EXT'",
    },
    "identity": {"query": 'query = "*IDN?"'},
    "errors": {"query": 'query = "SYST:ERR?"', "none": "none = '0,.*'"},
    "examples": {"line": _EXAMPLE_LINE},
}
"""What can't be left out, and what to write, such as it may be."""
