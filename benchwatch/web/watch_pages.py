"""Serves the pages of one watch until it ends: ``watch --web``."""

import asyncio
import errno
import os
import stat
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, TextIO

from benchwatch.colours import DARK, palette_of
from benchwatch.errors import FileError, UsageError
from benchwatch.run.counters_in_run import RunOutcome
from benchwatch.run.live_watch import LiveWatch
from benchwatch.run.shutdown import SignalShutdown
from benchwatch.system.installation import extra_words
from benchwatch.web.served_address import ServedAddress

if TYPE_CHECKING:
    from contextlib import AbstractAsyncContextManager

    from benchwatch.colours import ThemeWord
    from benchwatch.screen.display_options import DisplayOptions
    from benchwatch.screen.watch_source import TrimmerControl
    from benchwatch.web.page_server import MakeApp


EXTRA: Final = "web"
"""The extra that installs the libraries of the page."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Narration:
    """Functions that write messages for the person at the terminal to standard error."""

    say: Callable[[str], None]
    """Writes a sentence."""
    look: Callable[[], None]
    """Writes messages on changes of the links and of the journal."""
    every_s: float
    """Time between two calls of `look`."""


def serve_watch(
    run: LiveWatch,
    address: ServedAddress,
    *,
    trimmer: "TrimmerControl | None",
    options: "DisplayOptions",
    asked: "ThemeWord | None",
    ascii_only: bool,
    narration: Narration,
    cleanup: Callable[[], object],
) -> RunOutcome:
    """Show the watch on pages until it ends or a signal comes; print the URL on standard output.

    Args:
        run: the watch, not yet started.
        address: where to serve.
        trimmer: the simulated trimmer that keys of the screen turn; None: there is none.
        options: display options of the screen; the theme is replaced.
        asked: the theme that was typed or configured; None: none was.
        ascii_only: whether the screen is drawn in plain ASCII.
        narration: writes messages for the person at the terminal.
        cleanup: closes run and journal if the run does not end in order after a signal.

    Raises:
        UsageError: the address can't be used, or a library is not installed.
    """
    try:
        from benchwatch.screen.display_options import log_path, theme_for  # noqa: PLC0415 - line output does not need it
        from benchwatch.screen.terminal.screen_process import open_log  # noqa: PLC0415 - likewise
        from benchwatch.web.error_log import error_log  # noqa: PLC0415 - an extra
        from benchwatch.web.page_server import serving  # noqa: PLC0415 - likewise
    except ImportError as error:
        raise UsageError(
            f"the page needs a library that is not installed ({error.name}): {extra_words(EXTRA)}."
        ) from error

    def say_crash(crash: str) -> None:
        narration.say(
            f"a page stopped: {crash}. Open it again; the details are in the screen's log."
        )

    # A page shows all colours, whatever the terminal of the server can show.
    asked_for = {name: os.environ.get(name, "") for name in ("NO_COLOR", "FORCE_COLOR")}
    theme = theme_for(asked=asked, ascii_only=ascii_only, encoding="utf-8", environ=asked_for)
    palette = palette_of(theme.word) or DARK
    runner = asyncio.Runner()
    runner.get_loop()  # made first: on Windows a new loop takes over what is told of signals
    with open_log(log_path()) as log, SignalShutdown(run.interrupt, cleanup), runner:
        make = _page_maker(run, trimmer, log, replace(options, theme=theme))
        served = serving(
            address,
            make,
            say_crash,
            palette=palette,
            trouble=narration.say,
            logger=error_log(log),
        )
        runner.run(_serve(run, served, narration, of_this_computer=address.of_this_computer))
    assert run.outcome is not None
    return run.outcome


async def _serve(
    run: LiveWatch,
    served: "AbstractAsyncContextManager[str]",
    narration: Narration,
    *,
    of_this_computer: bool,
) -> None:
    async with served as url:
        if not of_this_computer:
            narration.say(
                "caution: whoever has the line below reaches this screen over the network, and "
                "nothing on the way is encrypted. Keep it to a network you trust."
            )
        _print(url)
        run.start()
        while not run.finished.is_set():
            narration.look()
            await asyncio.sleep(narration.every_s)


def _print(url: str) -> None:
    """Print the URL; ignore that the terminal has been closed, so that the run continues.

    Raises:
        FileError: standard output is not a terminal and can't be written: nobody gets the URL.
    """
    try:
        print(url, flush=True)
    except (OSError, FileError) as error:
        if not _has_hung_up(error.__cause__ or error):
            raise
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())  # discards the buffered text
        os.close(nowhere)


def _has_hung_up(error: BaseException) -> bool:
    """Return whether a write failed because the terminal was closed (POSIX.1-2017, 11.1.10)."""
    is_device = stat.S_ISCHR(os.fstat(sys.stdout.fileno()).st_mode)
    return isinstance(error, OSError) and error.errno == errno.EIO and is_device


def _page_maker(
    run: LiveWatch, trimmer: "TrimmerControl | None", log: TextIO, options: "DisplayOptions"
) -> "MakeApp":
    """Return a function that makes the screen of one page; all screens share the same watch."""
    from benchwatch.web.browser_page import PageApp, PageChannel  # noqa: PLC0415 - an extra

    def make(page: PageChannel) -> PageApp:
        return PageApp(page, log, run, trimmer=trimmer, options=options)

    return make
