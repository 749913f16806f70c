"""From what was found to the text of a bench file, each key explained."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from benchwatch.bench.keys import COUNTER, REFERENCE, TOP, Key
from benchwatch.quantity import printable

HEAD: Final = """\
# A bench, for: benchwatch watch --bench {file}
# Quantities are text with their unit. A line that begins with # counts for nothing: take the
# sign away to use it. What the counters do not need to be told is best left out.
"""
_COLUMN: Final = 44
"""Where the comments begin."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One counter for a draft."""

    name: str
    resource: str
    driver: str = "scpi"
    nominal: str | None = None
    notes: tuple[str, ...] = ()
    """What is known of it, in sentences; they become comments."""
    sure: bool = True
    """False: nobody knows what is there; the whole table becomes a comment."""


def draft(entries: Sequence[Entry], file: str) -> str:
    """Write a bench file of `entries`; with none of them sure, it needs an edit to be used."""
    example = [] if entries else [Entry("main", COUNTER["resource"].form.strip('"'), sure=False)]
    parts = [HEAD.format(file=printable(file))]
    parts.append("\n".join(_line(name, key) for name, key in TOP.items()) + "\n")
    parts.append(
        "# [reference]      # what the counters are locked to, at their external input\n"
        + "\n".join(_line(name, key) for name, key in REFERENCE.items())
        + "\n"
    )
    parts.extend(_table(entry) for entry in [*entries, *example])
    return "\n".join(parts)


def quoted(text: str) -> str:
    """Write text as a TOML basic string (TOML v1.0.0, String)."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08X}" for c in escaped) + '"'


def _table(entry: Entry) -> str:
    values = {"resource": quoted(entry.resource), "driver": quoted(entry.driver)}
    if entry.nominal is not None:
        values["nominal"] = quoted(entry.nominal)
    lines = [f"# {printable(note, 200)}" for note in entry.notes]
    lines.append(f"[counters.{entry.name}]" if entry.sure else f"# [counters.{entry.name}]")
    lines.extend(
        _line(name, key, values.get(name) if entry.sure else None, values.get(name))
        for name, key in COUNTER.items()
    )
    return "\n".join(lines) + "\n"


def _line(name: str, key: Key, value: str | None = None, example: str | None = None) -> str:
    """Write a key with its explanation; as a comment when it has no value."""
    sign = "" if value is not None else "# "
    text = f"{sign}{name} = {value or example or key.form}"
    return f"{text.ljust(_COLUMN)}  # {key.says}"
