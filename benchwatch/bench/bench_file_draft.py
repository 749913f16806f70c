"""Writes the text of a bench file for the counters that were found, each key explained."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from benchwatch.bench.bench_file_keys import BENCH_FILE, COUNTER, OWN_TABLE, REFERENCE, RELAY
from benchwatch.config_tables import ConfigKey, toml_string
from benchwatch.counter import DEFAULT_DRIVER
from benchwatch.quantity import printable
from benchwatch.reading import DEFAULT_COUNTER

DRAFT_HEAD: Final = """\
# A bench, for: benchwatch watch --bench {file}
# Quantities are text with their unit. A line that begins with # counts for nothing: take the
# sign away to use it. What the counters do not need to be told is best left out.
"""
_COMMENT_COLUMN: Final = 44
"""Column in which the comments begin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftCounter:
    """One counter of a draft."""

    name: str
    resource: str
    driver: str = DEFAULT_DRIVER
    nominal: str | None = None
    notes: tuple[str, ...] = ()
    """Sentences about the counter; they become comments."""
    sure: bool = True
    """Whether it is known to be a counter; if not, the whole table becomes a comment."""


def draft(entries: Sequence[DraftCounter], file: str, *, backend: str | None = None) -> str:
    """Return the text of a bench file of `entries`; where none is sure, an example comes first.

    Args:
        entries: the counters.
        file: the file's name.
        backend: the VISA library by which they were found; None: the default one.
    """
    values = {} if backend is None else {"backend": toml_string(backend)}
    example = [
        DraftCounter(
            name=DEFAULT_COUNTER, resource=COUNTER.keys["resource"].example.strip('"'), sure=False
        )
    ]
    tables = list(entries) if any(entry.sure for entry in entries) else [*example, *entries]
    parts = [DRAFT_HEAD.format(file=printable(file))]
    examples = {"proof": _proof_example([entry for entry in entries if entry.sure])}
    parts.append(
        "\n".join(
            _line(name, key, values.get(name), examples.get(name))
            for name, key in BENCH_FILE.keys.items()
            if examples.get(name) != ""
        )
        + "\n"
    )
    parts.append(
        f"# [reference]      # {REFERENCE.explanation}\n"
        + "\n".join(_line(name, key) for name, key in REFERENCE.keys.items())
        + "\n"
    )
    parts.append(
        f"# [relay]          # {RELAY.explanation}\n"
        + "\n".join(_line(name, key) for name, key in RELAY.keys.items())
        + "\n"
    )
    parts.extend(_table(entry, explained=number == 0) for number, entry in enumerate(tables))
    return "\n".join(parts)


def _proof_example(counters: Sequence[DraftCounter]) -> str:
    """Return the counters of the first nominal that several have, as a value of ``proof``.

    Two counters of which one has no nominal may be on one signal too. Empty where there are no
    two such counters: a line without its sign must be one that can be used.
    """
    for first in counters:
        like = [one.name for one in counters if None in {one.nominal, first.nominal}]
        like = [one.name for one in counters if one.nominal == first.nominal] or like
        if len(like) > 1:
            return f"[[{', '.join(map(toml_string, like))}]]"
    return ""


def _table(entry: DraftCounter, *, explained: bool) -> str:
    """Return the table of a counter: with `explained` all keys, else those with a value."""
    values = {"resource": toml_string(entry.resource), "driver": toml_string(entry.driver)}
    if entry.nominal is not None:
        values["nominal"] = toml_string(entry.nominal)
    sign = "" if entry.sure else "# "
    lines = [f"# {printable(note, 200)}" for note in entry.notes]
    lines.append(f"{sign}[counters.{entry.name}]")
    if explained:
        lines.extend(
            _line(name, key, values.get(name) if entry.sure else None, values.get(name))
            for name, key in COUNTER.keys.items()
        )
        lines.append(
            f"# [counters.{entry.name}.{OWN_TABLE}]  # {COUNTER.tables[OWN_TABLE].explanation}"
        )
    else:
        lines.extend(f"{sign}{name} = {value}" for name, value in values.items())
    return "\n".join(lines) + "\n"


def _line(name: str, key: ConfigKey, value: str | None = None, example: str | None = None) -> str:
    """Return the line of a key with its explanation; a comment when it has no value."""
    sign = "" if value is not None else "# "
    text = f"{sign}{name} = {value or example or key.example}"
    return f"{text.ljust(_COMMENT_COLUMN)}  # {key.explanation}"
