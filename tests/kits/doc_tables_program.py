"""Writes what follows from declarations: tables of the docs, outlines of commands, manual page.

Run ``python tests/kits/doc_tables_program.py`` after a command, an option, a unit of measure, a
view, a deviation or a simulated bench was added or renamed.
"""

import json
import re
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import NamedTuple

import click

from benchwatch.cli import cli
from benchwatch.commands import COMMANDS
from benchwatch.commands.common.command_outline import OUTLINES, outline_of
from benchwatch.commands.common.manual_page import manual_page
from benchwatch.estimate.stability import DEVIATION_KINDS
from benchwatch.quantity.units import DURATION_UNITS, PREFIXES, TYPED_OFFSET_UNITS
from benchwatch.screen.key_binding import KeyBinding
from benchwatch.screen.views.view_list import VIEWS
from benchwatch_simulators.bench.simulated_bench_file import own_plans

DOCS = Path(__file__).parents[2] / "docs"
MANUAL = DOCS / "man" / "benchwatch.1"
"""The manual page, as it is installed."""


def commands_table() -> str:
    """Return a row for each command and for each command of a group, as ``journal archive``."""
    rows = ["| command | what it does | `--json` |", "|---|---|---|"]
    with click.Context(cli, info_name="benchwatch") as context:
        for name, about in COMMANDS.items():
            command = cli.get_command(context, name)
            assert command is not None
            group = command.commands if isinstance(command, click.Group) else {}
            if not isinstance(command, click.Group) or command.invoke_without_command:
                rows.append(_row(name, command, about))
            rows += [
                _row(f"{name} {sub}", one, one.get_short_help_str(200))
                for sub, one in group.items()
            ]
    return "\n".join(rows)


def units_table() -> str:
    """Return a row for each unit of measure: how it may be typed, and whether it is shown."""
    rows = ["| of | unit | typed also | shown in it |", "|---|---|---|---|"]
    for what, units in (("offset", TYPED_OFFSET_UNITS), ("time", DURATION_UNITS)):
        rows += [_unit_row(what, unit.name, unit.also, shown=unit.shown) for unit in units]
    for prefix in PREFIXES:
        also = [f"{name}Hz" for name in prefix.also]
        shown = prefix.shown or not prefix.name
        rows.append(_unit_row("frequency", f"{prefix.name}Hz", also, shown=shown))
    return "\n".join(rows)


def views_table() -> str:
    """Return a row for each view: its key, its name, its content, and keys that only it has."""
    rows = ["| key | view | shows | keys that only it has |", "|---|---|---|---|"]
    for view in VIEWS.views:
        own = "; ".join(_key_text(key) for key in VIEWS.keys_of(view) if key.help)
        rows.append(f"| `{view.key}` | {view.title} (`{view.option}`) | {view.about} | {own} |")
    return "\n".join(rows)


def _key_text(key: KeyBinding) -> str:
    names = ", ".join(f"`{name}`" for name in key.label.split("/"))
    return f"{names}: {key.help[0].lower()}{key.help[1:].rstrip('.')}"


def deviations_table() -> str:
    """Return a row for each deviation: its meaning, its differences of phase, its corrections."""
    rows = [
        "| deviation | what it is | differences of phase | dead time | on the screen |",
        "|---|---|---|---|---|",
    ]
    for kind in DEVIATION_KINDS:
        how = [
            "second" if kind.order == 2 else "third",
            "from every reading" if kind.overlapping else "side by side",
            *(["of averages"] if kind.modified else []),
            *(["of the reflected run"] if kind.reflected else []),
        ]
        name = f"`{kind.name}`, in seconds" if kind.time else f"`{kind.name}`"
        dead_time = "corrected" if kind.corrected else "–"
        live = "live" if kind.live else "–"
        rows.append(f"| {name} | {kind.meaning} | {', '.join(how)} | {dead_time} | {live} |")
    return "\n".join(rows)


def benches_table() -> str:
    """Return a row for each simulated bench: what it shows, and its counters."""
    rows = ["| bench | shows | counters |", "|---|---|---|"]
    for plan in own_plans():
        counters = ", ".join(f"`{name}`" for name in plan.counters)
        rows.append(f"| `{plan.name}` | {plan.about} | {counters} |")
    return "\n".join(rows)


def _unit_row(what: str, name: str, also: Iterable[str], *, shown: bool) -> str:
    others = ", ".join(f"`{other}`" if other else "nothing" for other in also)
    return f"| {what} | `{name}` | {others or '–'} | {'yes' if shown else 'no'} |"


def _metavar(argument: click.Argument, context: click.Context) -> str:
    """Return what stands for an argument, with the bars escaped that would end a cell."""
    shown = argument.make_metavar(context)
    if shown.startswith("[[") and shown.endswith("]]"):  # choices, by click before 8.3
        shown = shown[1:-1]
    return shown.replace("|", r"\|")


def _row(words: str, command: click.Command, about: str) -> str:
    with click.Context(command, info_name=words) as context:
        arguments = [
            _metavar(argument, context)
            for argument in command.params
            if isinstance(argument, click.Argument)
        ]
    json_lines = any("--json" in parameter.opts for parameter in command.params)
    return f"| `{' '.join([words, *arguments])}` | {about} | {'yes' if json_lines else '–'} |"


def table_after(above: str, text: str) -> re.Match[str]:
    """Return the first table after the line that begins with `above`."""
    line = re.search(rf"^{re.escape(above)}", text, re.MULTILINE)
    assert line is not None, above
    found = re.compile(r"(?:^\|.*\n)+", re.MULTILINE).search(text, line.start())
    assert found is not None, above
    return found


class DocTable(NamedTuple):
    """A table of the docs that follows from declarations."""

    page: str
    """The file in the folder of docs."""
    above: str
    """Beginning of the line above it, such as a heading."""
    write: Callable[[], str]
    """Returns the table."""


TABLES = (
    DocTable("commands.md", "# Commands", commands_table),
    DocTable("commands.md", "## Quantities", units_table),
    DocTable("commands.md", "## Simulated benches", benches_table),
    DocTable("screen.md", "# On the screen", views_table),
    DocTable("numbers.md", "### Deviations", deviations_table),
)
"""The tables, each with its page and what stands above it."""


def outlines_text() -> str:
    """Return the outlines of all commands, from which the shell's completion is made, as JSON."""
    with click.Context(cli, info_name="benchwatch") as context:
        commands = {name: cli.get_command(context, name) for name in COMMANDS}
    outlines = {name: outline_of(one) for name, one in commands.items() if one is not None}
    return json.dumps(outlines, indent=1, ensure_ascii=False) + "\n"


def main() -> None:
    """Write the tables into the docs, the outlines into their file, and the manual page."""
    MANUAL.parent.mkdir(exist_ok=True)
    MANUAL.write_text(manual_page(cli), encoding="ascii")
    OUTLINES.write_text(outlines_text(), encoding="utf-8")
    for page, above, write in TABLES:
        text = (DOCS / page).read_text(encoding="utf-8")
        old = table_after(above, text)
        new = f"{text[: old.start()]}{write()}\n{text[old.end() :]}"
        (DOCS / page).write_text(new, encoding="utf-8")


if __name__ == "__main__":
    main()
