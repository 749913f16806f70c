"""The user's settings as the commands use them: precedence, and the keys of the screen.

What is typed comes first, then a variable of the environment, then the bench file, then the unit,
then the configuration file.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from benchwatch.bench import load_bench
from benchwatch.bus import DEFAULT_BACKEND
from benchwatch.bus.plain_address import resources_of_host
from benchwatch.commands.common.output import narrate
from benchwatch.configuration import (
    KEYS_TABLE,
    Configuration,
    configuration_table,
    load_configuration,
)
from benchwatch.errors import BenchwatchError, UsageError
from benchwatch.estimate.results import SettleLimit
from benchwatch.plan import Plan
from benchwatch.quantity import parse_settle, parse_tolerance, printable

if TYPE_CHECKING:
    from benchwatch.config_tables import ConfigTable

_NAME: Final = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,31}", re.ASCII)
"""What the name of a counter in a bench file looks like."""


@dataclass(frozen=True, slots=True)
class UserSettings:
    """The user's settings, in the two places that they have in the order of precedence."""

    found: Configuration

    @property
    def display_unit(self) -> str | None:
        """Name of the unit of fractions in plain lines; None: by size."""
        unit: str | None = self.found.value("display_unit")
        return unit

    def first(self, name: str) -> Any:
        """Return the value that a variable gives, before bench file and unit; None without one."""
        return self.found.value(name) if self._by_variable(name) else None

    def last(self, name: str) -> Any:
        """Return the value in the configuration file, after bench file and unit; else None."""
        return None if self._by_variable(name) else self.found.value(name)

    def backend(self, typed: str | None, of_bench: str | None = None) -> str:
        """Return the VISA library: typed, of a variable, of the bench file, configured or usual."""
        first, last = self.first("backend"), self.last("backend")
        return typed or first or of_bench or last or DEFAULT_BACKEND

    def bench(self, words: tuple[str, ...], *, others: bool) -> Path | None:
        """Return the user's bench file if it is meant: by no word, or by names of its counters.

        Args:
            words: what was typed as counters.
            others: whether something else says what is watched, such as a simulated bench.

        Raises:
            UsageError: a word can only be a name, and the bench file has no counter of that name.
        """
        file: Path | None = self.found.value("bench")
        if others or file is None:
            return None
        if words and not _are_counters(words, file, self.found.source("bench")):
            return None
        narrate(f"bench file {printable(str(file), 200)}, as {self.found.source('bench')} says")
        return file

    def with_limits(self, plans: Sequence[Plan]) -> tuple[Plan, ...]:
        """Return the plans with the configured limits where a plan has none yet."""
        tolerance, settle = self.last("tolerance"), self.last("settle")
        limit = None if tolerance is None else parse_tolerance(tolerance)
        settled = None if settle is None else SettleLimit(*parse_settle(settle))
        return tuple(
            replace(
                plan,
                tolerance=limit if plan.tolerance is None else plan.tolerance,
                settle=settled if plan.settle is None else plan.settle,
            )
            if plan.station is None  # a station elsewhere states its limits itself
            else plan
            for plan in plans
        )

    def _by_variable(self, name: str) -> bool:
        setting = self.found.settings.get(name)
        return setting is not None and setting.by_variable


def user_settings() -> UserSettings:
    """Read the user's settings; the keys of the screen are not looked into.

    Raises:
        FileError: the configuration file can't be read.
        UsageError: a setting can't be used.
    """
    return UserSettings(load_configuration())


def screen_settings() -> Configuration:
    """Read the user's settings with the keys of the screen; raises as `user_settings`.

    Where no keys are configured the screen is not imported, as that takes a while.
    """
    found = load_configuration()
    return load_configuration(table=screen_table()) if KEYS_TABLE in found.settings else found


def screen_table() -> "ConfigTable":
    """Return the declaration of the configuration file with the actions of the screen."""
    from benchwatch.screen.key_changes import actions_by_id  # noqa: PLC0415 - line output does not need it
    from benchwatch.screen.views.view_list import VIEWS  # noqa: PLC0415 - likewise

    return configuration_table(actions_by_id(VIEWS))


def check_keys(found: Configuration) -> None:
    """Check the configured keys of the screen.

    Raises:
        UsageError: two actions would have one key in the same view.
    """
    if KEYS_TABLE not in found.settings:
        return
    from benchwatch.screen.key_changes import with_changed_keys  # noqa: PLC0415 - line output does not need it
    from benchwatch.screen.views.view_list import VIEWS  # noqa: PLC0415 - likewise

    with_changed_keys(VIEWS, found.value(KEYS_TABLE), found.source(KEYS_TABLE))


def _are_counters(words: tuple[str, ...], file: Path, source: str) -> bool:
    """Return whether the words mean counters in the bench file that `source` names.

    So they do where the file has a fault and each of them could only be a name: who reads the file
    then says what is wrong in it.

    Raises:
        UsageError: the file has no counter called so, and the word is no whole address either.
    """
    if not all(_NAME.fullmatch(word) for word in words):
        return False
    try:
        names = [plan.name for plan in load_bench(file).plans()]
    except BenchwatchError:
        return all(resources_of_host(word) for word in words)
    for word in words:
        if word not in names and resources_of_host(word):
            raise UsageError(
                f"the bench file {printable(str(file), 200)}, as {source} says, has no counter "
                f"'{printable(word)}'. There are: {', '.join(names)}. If it is a host: "
                f"benchwatch find {printable(word)} asks there in each way."
            )
    return set(names).issuperset(words)
