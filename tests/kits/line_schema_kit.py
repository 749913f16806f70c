"""Holds JSON lines that tests make against the schema of the lines.

Lines of the same shape are checked once: the same keys with values of the same types and words.
"""

from typing import Any, Final

import jsonschema

from benchwatch.api.line_schema import line_schema

_SCHEMA: Final = line_schema(closed=True)
_KINDS: Final = {
    kind: jsonschema.Draft202012Validator({"$ref": f"#/$defs/{kind}", "$defs": _SCHEMA["$defs"]})
    for kind in _SCHEMA["$defs"]
}
_ALSO_ELSEWHERE: Final = {"check": "setting_hz", "end": "gaps", "comparison": "counters"}
"""Kinds that other commands have too, each with a key that only lines of a watch have."""
_WORDS: Final = frozenset({"state", "flags", "verdict", "since", "kind"})
"""Keys whose text itself is decided by the schema."""
_seen: Final[set[object]] = set()


def held(line: Any) -> Any:
    """Return a line, which fits the schema if it is of one of its kinds.

    Raises:
        jsonschema.ValidationError: it does not fit.
    """
    kind = line.get("kind") if isinstance(line, dict) else None
    if kind not in _KINDS or _ALSO_ELSEWHERE.get(kind, "kind") not in line:
        return line
    shape = _shape(line)
    if shape not in _seen:
        _KINDS[kind].validate(line)
        _seen.add(shape)
    return line


def _shape(value: Any, key: str = "") -> object:
    """Return what two lines have in common that the schema can't tell apart."""
    if isinstance(value, dict):
        return tuple((name, _shape(inner, name)) for name, inner in sorted(value.items()))
    if isinstance(value, list):
        return frozenset(_shape(inner, key) for inner in value)
    if isinstance(value, str):
        return value if key in _WORDS else len(value)
    if isinstance(value, int | float) and not isinstance(value, bool):
        return type(value), value < 0
    return value
