"""Options of the screen from the command line, and what this terminal can show."""

import os
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from platformdirs import user_state_path

from benchwatch.colours import ThemeWord, theme_word
from benchwatch.configuration import KeyName
from benchwatch.screen.drawing.theme import Theme


def log_path() -> Path:
    """Return the path of the log: tracebacks of crashes, and what libraries print."""
    return user_state_path("benchwatch", appauthor=False) / "screen.log"


def reports_folder(journal: Path | None) -> Path:
    """Return the folder of saved views and reports: beside the journal, without one this folder."""
    return Path.cwd() if journal is None else journal.absolute().parent / "reports"


def state_path() -> Path:
    """Return the path of the file in which the preferences are saved."""
    return user_state_path("benchwatch", appauthor=False) / "screen.json"


def theme_for(
    *,
    asked: ThemeWord | None = None,
    ascii_only: bool | None = None,
    encoding: str | None = None,
    environ: Mapping[str, str] | None = None,
) -> Theme:
    """Choose characters and colours.

    Without a theme that is asked for, a set and non-empty ``NO_COLOR`` (https://no-color.org) or
    TERM=dumb switches colours off, unless ``FORCE_COLOR`` (https://force-color.org) is set.

    Args:
        asked: the theme that was typed or configured; None: none was.
        ascii_only: whether to draw in ASCII; None: unless the encoding is a UTF.
        encoding: encoding of the terminal; None: that of standard output.
        environ: environment variables; None: those of this process.
    """
    environ = os.environ if environ is None else environ
    encoding = encoding if encoding is not None else (sys.stdout.encoding or "ascii")
    if ascii_only is None:
        ascii_only = not encoding.lower().replace("-", "").startswith("utf")
    return Theme(ascii=ascii_only, word=theme_word(asked, environ))


def _this_terminal() -> Theme:
    return theme_for()


@dataclass(frozen=True, slots=True, kw_only=True)
class DisplayOptions:
    """Settings of the screen."""

    theme: Theme = field(default_factory=_this_terminal)
    view: str = ""
    """Name of the first view; empty: the view that serves the state."""
    log: Path = field(default_factory=log_path)
    state: Path | None = field(default_factory=state_path)
    """File of the preferences; None: they are not saved."""
    bell: bool = True
    """Whether the bell rings when the oscillator settles."""
    reports: Path = field(default_factory=Path.cwd)
    """Folder of saved views and reports; it is made where it is not there."""
    journal: Path | None = None
    """The journal of the run; None: nothing is kept."""
    unit: str = ""
    """Name of the unit of fractions to begin with; empty: the one that was chosen last."""
    keys: Mapping[str, tuple[KeyName, ...]] = field(default_factory=dict)
    """Keys in place of the usual ones, by ids of actions."""
    keys_from: str = ""
    """The file that asks for these keys, for messages."""
