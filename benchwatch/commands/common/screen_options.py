"""The options of the screen, declared once for every command that shows it."""

import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchwatch.colours import THEMES, ThemeWord
from benchwatch.commands.common.output import narrate
from benchwatch.commands.common.user_settings import check_keys, screen_settings
from benchwatch.configuration import KEYS_TABLE
from benchwatch.errors import UsageError

if TYPE_CHECKING:
    from benchwatch.screen.display_options import DisplayOptions


class ViewChoice(click.Choice):  # type: ignore[type-arg] # not generic in older versions of click
    """Choice among the names of the views, imported only to check a name or to write help."""

    def __init__(self) -> None:
        super().__init__(())

    @property
    def choices(self) -> tuple[str, ...]:
        """The names, in the order of the tabs."""
        from benchwatch.screen.views.view_list import VIEWS  # noqa: PLC0415 - line output does not need it

        return tuple(view.option for view in VIEWS.views)

    @choices.setter
    def choices(self, _: object) -> None:
        """Ignore the empty choices that click's constructor sets."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreenOptions:
    """Typed options of the screen."""

    ascii: bool = False
    view: str = ""
    """Name of the first view; empty: the view that serves the state."""
    bell: bool | None = None
    """Whether the bell may ring; None: as configured."""
    theme: ThemeWord | None = None
    """The theme that was typed; None: as configured, else by the environment."""

    def options(self, journal: Path | None = None, *, bell: bool = True) -> "DisplayOptions":
        """Return the display options of the screen.

        Args:
            journal: the journal beside which saved views go; None: into the present folder.
            bell: False: the bell never rings.

        Raises:
            FileError: the configuration file can't be read.
            UsageError: a setting can't be used.
        """
        found = screen_settings()
        check_keys(found)
        rings = found.value("bell") if self.bell is None else self.bell
        from benchwatch.screen.display_options import (  # noqa: PLC0415 - line output does not need it
            DisplayOptions,
            reports_folder,
            theme_for,
        )

        return DisplayOptions(
            theme=theme_for(
                asked=self.theme or found.value("theme"), ascii_only=self.ascii or None
            ),
            view=self.view.replace("-", "_"),
            bell=bell and rings is not False,
            unit=found.value("display_unit") or "",
            keys=found.value(KEYS_TABLE) or {},
            keys_from=found.source(KEYS_TABLE),
            reports=reports_folder(journal),
            journal=journal,
        )

    def refuse(self) -> None:
        """Refuse options of the screen; called where lines are written instead.

        Raises:
            UsageError: an option of the screen was typed.
        """
        bell = "--bell" if self.bell else "--no-bell"
        typed = {
            "--ascii": self.ascii,
            "--theme": self.theme is not None,
            "--view": bool(self.view),
            bell: self.bell is not None,
        }
        for name, given in typed.items():
            if given:
                raise UsageError(f"{name} is for the screen: leave it out where lines are written.")


def screen_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options of `ScreenOptions` to a command, which gets them as `screen`."""

    @click.option("--ascii", "ascii_only", is_flag=True, help="Draw the screen in plain ASCII.")
    @click.option(
        "--theme",
        type=click.Choice(THEMES),
        help="Colours of the screen: light text on dark, dark on light, or the terminal's own.",
    )
    @click.option(
        "--view",
        type=ViewChoice(),
        help="The view that the screen begins with; else by the state.",
    )
    @click.option(
        "--bell/--no-bell",
        default=None,
        help="Ring or do not ring when the oscillator settles; it rings unless configured.",
    )
    @wraps(command)
    def with_screen(
        *args: Any,
        ascii_only: bool,
        theme: ThemeWord | None,
        view: str | None,
        bell: bool | None,
        **rest: Any,
    ) -> Any:
        screen = ScreenOptions(ascii=ascii_only, theme=theme, view=view or "", bell=bell)
        return command(*args, screen=screen, **rest)

    return with_screen


def can_show_screen() -> bool:
    """Return whether standard output can show the screen; narrate that a dumb terminal can't."""
    if not sys.stdout.isatty():
        return False
    if os.environ.get("TERM") == "dumb":
        narrate("this terminal can't show the screen (TERM=dumb): a line a reading instead.")
        return False
    return True
