"""The options of the screen, declared once for every command that shows it."""

import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from typing import TYPE_CHECKING, Any

import click

from benchwatch.commands.common.output import narrate
from benchwatch.errors import UsageError

if TYPE_CHECKING:
    from benchwatch.screen.display_options import DisplayOptions


class ViewChoice(click.Choice):  # type: ignore[type-arg] # older versions take none
    """The names of the views; they are loaded when one was given or help is asked for."""

    def __init__(self) -> None:
        super().__init__(())

    @property
    def choices(self) -> tuple[str, ...]:
        """The names, in the order of the tabs."""
        from benchwatch.screen.views.view_list import VIEWS  # noqa: PLC0415 - lines need none

        return tuple(view.option for view in VIEWS.views)

    @choices.setter
    def choices(self, _: object) -> None:
        """Leave the names as they are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreenOptions:
    """What was typed of the screen."""

    ascii: bool = False
    view: str = ""
    """Empty: the view of last time."""
    bell: bool = True

    def options(self, *, bell: bool = True) -> "DisplayOptions":
        """Return the options for the screen; `bell` False: it never rings."""
        from benchwatch.screen.display_options import DisplayOptions, theme_for  # noqa: PLC0415 - lines need none

        return DisplayOptions(
            theme=theme_for(ascii_only=self.ascii or None),
            view=self.view.replace("-", "_"),
            bell=bell and self.bell,
        )

    def refuse(self) -> None:
        """Refuse options of the screen where there is none.

        Raises:
            UsageError: one was given.
        """
        asked = (("--ascii", self.ascii), ("--view", bool(self.view)), ("--no-bell", not self.bell))
        for name, given in asked:
            if given:
                raise UsageError(f"{name} is for the screen: leave it out where lines are written.")


def screen_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options of the screen, as one `ScreenOptions` named `screen`."""

    @click.option("--ascii", "ascii_only", is_flag=True, help="Draw the screen in plain ASCII.")
    @click.option("--view", type=ViewChoice(), help="The view that the screen begins with.")
    @click.option("--no-bell", is_flag=True, help="Do not ring when the oscillator settles.")
    @wraps(command)
    def with_screen(
        *args: Any, ascii_only: bool, view: str | None, no_bell: bool, **rest: Any
    ) -> Any:
        asked = ScreenOptions(ascii=ascii_only, view=view or "", bell=not no_bell)
        return command(*args, screen=asked, **rest)

    return with_screen


def can_show_screen() -> bool:
    """Tell whether standard output can show the screen; narrate that a dumb terminal can't."""
    if not sys.stdout.isatty():
        return False
    if os.environ.get("TERM") == "dumb":
        narrate("this terminal can't show the screen (TERM=dumb): a line a reading instead.")
        return False
    return True
