"""``benchwatch config``: says the user's settings and where each comes from; writes the file."""

import os
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final

import click

from benchwatch.bus import DEFAULT_BACKEND
from benchwatch.commands.common.output import (
    narrate,
    print_json,
    print_text,
    refuse_existing,
    write_file,
)
from benchwatch.commands.common.user_settings import check_keys, screen_settings, screen_table
from benchwatch.configuration import (
    CONFIG_VARIABLE,
    KEYS_TABLE,
    Configuration,
    Setting,
    configuration_path,
    load_configuration,
    variable_of,
)
from benchwatch.configuration.configuration_draft import configuration_draft
from benchwatch.configuration.configuration_file import PREFIX
from benchwatch.configuration.configuration_keys import SETTINGS
from benchwatch.errors import FileError, UsageError
from benchwatch.quantity import printable
from benchwatch.report.blocks import align_table

COLUMNS: Final = ("setting", "value", "from")
USUAL: Final = {
    "bench": ("none", "not set: watch needs a counter"),
    "backend": (DEFAULT_BACKEND, "not set: it comes along"),
    "display_unit": ("by size", "not set: or as chosen on the screen"),
    "theme": ("dark", "not set: or as NO_COLOR and the terminal ask"),
    "bell": ("yes", "not set"),
}
"""What holds where a setting stands nowhere, and why."""
OTHER_VARIABLES: Final = (CONFIG_VARIABLE, f"{PREFIX}SIGN_PASSWORD")
"""Variables of the program that are no settings."""


@click.group(invoke_without_command=True)
@click.option("--json", "as_json", is_flag=True, help="A line a setting, for programs.")
@click.pass_context
def config(context: click.Context, as_json: bool) -> None:
    """Say your settings and where each comes from.

    What you type comes first, then a variable such as BENCHWATCH_BELL, then a bench file,
    then the unit, then the configuration file, which benchwatch config init writes.
    """
    if context.invoked_subcommand is not None:
        if as_json:
            raise UsageError("--json goes with benchwatch config alone: leave it out.")
        return
    found = screen_settings()
    check_keys(found)
    rows = list(_settings(found))
    if as_json:
        file = {"path": str(found.path), "exists": found.exists, "by_variable": found.by_variable}
        print_json({"kind": "configuration", **file})
        for name, variable, setting in rows:
            value = None if setting is None else _plain(setting.value)
            source = None if setting is None else setting.source
            print_json(
                {"kind": "setting", "name": name, "value": value, "source": source,
                 "variable": variable}
            )  # fmt: skip
    else:
        print_text(align_table(COLUMNS, [_row(name, setting) for name, _, setting in rows]))
    narrate(_file_sentence(found))
    for sentence in _unknown_variables(os.environ):
        narrate(sentence)


@config.command()
@click.argument("file", type=click.Path(path_type=Path), required=False)
@click.option("--force", is_flag=True, help="Write over a file that exists.")
def init(*, file: Path | None, force: bool) -> None:
    """Write a configuration file, each key explained and none used yet.

    FILE is the one that is read unless given.
    """
    path = configuration_path()[0] if file is None else file
    refuse_existing(path, force=force)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(
            f"{path.parent} can't be made: {error.strerror}. Choose another place."
        ) from error
    write_file(path, configuration_draft(screen_table()))


@config.command()
@click.argument("file", type=click.Path(path_type=Path), required=False)
def check(*, file: Path | None) -> None:
    """Say whether a configuration file can be used.

    The keys of the screen are looked into too. FILE is the one that is read unless given.
    """
    path = configuration_path()[0] if file is None else file
    check_keys(load_configuration({}, table=screen_table(), path=path))
    narrate(f"{path} is fine")


def _settings(found: Configuration) -> Iterator[tuple[str, str | None, Setting | None]]:
    """Yield name, variable and setting of each; of the keys only those that were changed."""
    for name in SETTINGS:
        yield name, variable_of(name), found.settings.get(name)
    for action, names in (found.value(KEYS_TABLE) or {}).items():
        labels = [key.label for key in names]
        yield f"{KEYS_TABLE}.{action}", None, Setting(labels, found.source(KEYS_TABLE))


def _row(name: str, setting: Setting | None) -> list[str]:
    if setting is None:
        return [name, *USUAL.get(name, ("none", "not set: bench file or unit may have one"))]
    value = setting.value
    shown = ("no", "yes")[value] if isinstance(value, bool) else str(_plain(value))
    if isinstance(value, list):
        shown = " ".join(value)
    return [name, printable(shown, 200), setting.source]


def _plain(value: Any) -> Any:
    return str(value) if isinstance(value, Path) else value


def _file_sentence(found: Configuration) -> str:
    where = f"configuration file {printable(str(found.path), 200)}"
    why = f", as {CONFIG_VARIABLE} says" if found.by_variable else ""
    if found.exists:
        return f"{where}{why}"
    return f"{where}{why}: there is none; benchwatch config init writes one"


def _unknown_variables(environ: Mapping[str, str]) -> list[str]:
    """Return a sentence for each variable that looks like a setting and is none."""
    known = [*map(variable_of, SETTINGS), *OTHER_VARIABLES]
    sentences = []
    for name in sorted(environ):
        if name.startswith(PREFIX) and name not in known:
            near = get_close_matches(name, known, n=1, cutoff=0.7)
            hint = f"; did you mean {near[0]}?" if near else "."
            sentences.append(f"the variable {printable(name, 60)} is not known{hint}")
    return sentences
