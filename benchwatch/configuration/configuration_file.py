"""Reads the configuration file and the environment, and says where each setting comes from."""

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from benchwatch.config_tables import (
    ConfigTable,
    Location,
    WrongValue,
    parse_toml,
    read_config_text,
    read_tables,
    wrong_value,
)
from benchwatch.config_tables.value_kinds import SWITCH
from benchwatch.configuration.configuration_keys import KEYS_TABLE, configuration_table
from benchwatch.errors import QuantityError, UsageError
from benchwatch.quantity import printable
from benchwatch.system.file_names import home_path

FILE_NAME: Final = "config.toml"
PREFIX: Final = "BENCHWATCH_"
CONFIG_VARIABLE: Final = f"{PREFIX}CONFIG"
"""The variable that names another configuration file."""
LARGEST_FILE_BYTES: Final = 100_000
SWITCHES: Final[Mapping[str, bool]] = {
    **dict.fromkeys(("1", "true", "yes", "on"), True),
    **dict.fromkeys(("0", "false", "no", "off"), False),
}
"""Spellings of a switch in a variable."""


@dataclass(frozen=True, slots=True)
class Setting:
    """A setting as it is used."""

    value: Any
    source: str
    """The variable or the file that it comes from."""
    by_variable: bool = False
    """Whether that is a variable."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Configuration:
    """The user's settings; a setting that stands nowhere is missing."""

    path: Path
    """The configuration file, which may not exist."""
    by_variable: bool = False
    """Whether `CONFIG_VARIABLE` names the file."""
    exists: bool = False
    settings: Mapping[str, Setting] = field(default_factory=dict)

    def value(self, name: str) -> Any:
        """Return the value of a setting; None where it stands nowhere."""
        return self.settings[name].value if name in self.settings else None

    def source(self, name: str) -> str:
        """Return where a setting comes from; empty where it stands nowhere."""
        return self.settings[name].source if name in self.settings else ""


def configuration_path(environ: Mapping[str, str] | None = None) -> tuple[Path, bool]:
    """Return where the configuration file is, if there is one, and whether a variable names it."""
    named = (os.environ if environ is None else environ).get(CONFIG_VARIABLE, "")
    if named:
        return home_path(named), True
    import platformdirs  # noqa: PLC0415 - not needed where a variable names the file

    return platformdirs.user_config_path("benchwatch") / FILE_NAME, False


def variable_of(name: str) -> str:
    """Return the variable of the environment that a setting can be given in."""
    return PREFIX + name.upper()


def load_configuration(
    environ: Mapping[str, str] | None = None,
    *,
    table: ConfigTable | None = None,
    path: Path | None = None,
) -> Configuration:
    """Read the user's settings. A variable comes before the file; an empty one counts as not set.

    Args:
        environ: the environment; None: that of this process.
        table: the declaration, with the screen's actions; None: the keys are not looked into.
        path: the file; None: the usual one, or that of the variable `CONFIG_VARIABLE`.

    Raises:
        FileError: the file can't be read or is no TOML, or the one that was named is not there.
        UsageError: a setting can't be used.
    """
    environ = os.environ if environ is None else environ
    table = configuration_table() if table is None else table
    usual, by_variable = configuration_path(environ)
    file = usual if path is None else path
    exists = file.exists() or file.is_symlink()
    settings: dict[str, Setting] = {}
    if exists or by_variable or path is not None:
        settings = _from_file(file, table)
    for name, key in table.keys.items():
        given = environ.get(variable_of(name), "")
        if given and name != KEYS_TABLE:
            settings[name] = _from_variable(name, key.kind is SWITCH, given, table)
    return Configuration(
        path=file, by_variable=by_variable and path is None, exists=exists, settings=settings
    )


def _from_file(file: Path, table: ConfigTable) -> dict[str, Setting]:
    where = printable(str(file), 200)
    text = read_config_text(
        file,
        "configuration file",
        largest=LARGEST_FILE_BYTES,
        way_out=f"benchwatch config init writes one; {CONFIG_VARIABLE} names another.",
    )
    values = read_tables(parse_toml(text, f"{where} is no TOML"), table, where)
    if "bench" in values:
        values["bench"] = file.absolute().parent / values["bench"]
    keys = values.pop(KEYS_TABLE, {})
    settings = {name: Setting(value, where) for name, value in values.items()}
    if keys:
        settings[KEYS_TABLE] = Setting(keys, where)
    return settings


def _from_variable(name: str, is_switch: bool, given: str, table: ConfigTable) -> Setting:
    variable = variable_of(name)
    key = table.keys[name]
    try:
        if is_switch:
            value: Any = SWITCHES.get(given.strip().lower())
            if value is None:
                raise WrongValue("expected 1 or 0", "Write 1 for yes or 0 for no.")  # noqa: TRY301
        else:
            value = key.kind.read(given)
    except (WrongValue, QuantityError) as error:
        raise _wrong_variable(variable, key.example, given, error) from error
    return Setting(value, variable, by_variable=True)


def _wrong_variable(
    variable: str, example: str, given: str, error: WrongValue | QuantityError
) -> UsageError:
    """Return the error that says which variable can't be used, and how to write it."""
    shown = example.strip('"')
    return wrong_value(Location("the environment"), variable, shown, given, error)
