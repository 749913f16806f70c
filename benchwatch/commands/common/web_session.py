"""How a watch is shown in a browser: the server's side of ``watch --web``."""

import asyncio
import errno
import os
import stat
import sys
from collections.abc import Callable
from contextlib import AbstractAsyncContextManager
from dataclasses import replace
from typing import TYPE_CHECKING, Final, TextIO

from benchwatch.commands.common.output import narrate
from benchwatch.commands.common.screen_options import ScreenAsked
from benchwatch.commands.common.watch_session import LOOK_S, FirstTrimmer, Narrator
from benchwatch.errors import FileError, UsageError
from benchwatch.run.live_watch import LiveWatch, RunOutcome
from benchwatch.run.shutdown import SignalShutdown
from benchwatch.web.served_address import ServedAddress

if TYPE_CHECKING:
    from benchwatch.web.page_server import MakeApp
    from benchwatch_simulators.bench.simulated_bench import ServedBench

WEB_PORT: Final = 8010
INSTALL: Final = "in the source folder, pip install '.[web]'"


def run_web_of(
    run: LiveWatch,
    bench: "ServedBench | None",
    place: ServedAddress,
    screen: ScreenAsked,
    rescue: Callable[[], object],
) -> RunOutcome:
    """Show the watch on pages until it ends or a signal comes; the address goes to stdout.

    Args:
        run: the watch, not yet started.
        bench: a simulated bench gives the keys a trimmer to turn.
        place: where to serve.
        screen: how the screen was asked for.
        rescue: closes run and journal where a signal can't end it in order.

    Raises:
        UsageError: nothing can be served there, or the libraries are not installed.
    """
    try:
        from benchwatch.screen.display_options import log_path  # noqa: PLC0415 - lines never need it
        from benchwatch.screen.terminal.screen_process import open_log  # noqa: PLC0415 - likewise
        from benchwatch.web.error_log import error_log  # noqa: PLC0415 - an extra
        from benchwatch.web.page_server import serving  # noqa: PLC0415 - likewise
    except ImportError as error:
        raise UsageError(
            f"the page needs a library that is not installed ({error.name}): {INSTALL}."
        ) from error
    with open_log(log_path()) as log, SignalShutdown(run.interrupt, rescue):
        make = _maker(run, bench, log, screen)
        served = serving(place, make, _say_crash, trouble=narrate, logger=error_log(log))
        asyncio.run(_serve(run, served, of_this_computer=place.of_this_computer))
    assert run.outcome is not None
    return run.outcome


async def _serve(
    run: LiveWatch, served: AbstractAsyncContextManager[str], *, of_this_computer: bool
) -> None:
    async with served as url:
        if not of_this_computer:
            narrate(
                "caution: whoever has the line below reaches this screen over the network, and "
                "nothing on the way is encrypted. Keep it to a network you trust."
            )
        _print(url)
        run.start()
        narrator = Narrator(run)
        while not run.finished.is_set():
            narrator.look()
            await asyncio.sleep(LOOK_S)


def _print(url: str) -> None:
    """Print the address; where the terminal is gone meanwhile, the readings go on without it.

    Raises:
        FileError: another output can't be written; so nobody would know of the page.
    """
    try:
        print(url, flush=True)
    except (OSError, FileError) as error:
        if not _has_hung_up(error.__cause__ or error):
            raise
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())  # what is still kept back goes there
        os.close(nowhere)


def _has_hung_up(error: BaseException) -> bool:
    """Tell whether that is how writing to a terminal fails that is gone (POSIX.1-2017, 11.1.10)."""
    is_device = stat.S_ISCHR(os.fstat(sys.stdout.fileno()).st_mode)
    return isinstance(error, OSError) and error.errno == errno.EIO and is_device


def _maker(
    run: LiveWatch, bench: "ServedBench | None", log: TextIO, screen: ScreenAsked
) -> "MakeApp":
    """Return what makes the screen of one page; all of them act on the same watch."""
    from benchwatch.screen.display_options import theme_for  # noqa: PLC0415 - an extra needs it
    from benchwatch.web.browser_page import PageApp, PageChannel  # noqa: PLC0415 - likewise

    no_color = {"NO_COLOR": os.environ.get("NO_COLOR", "")}
    theme = theme_for(ascii_only=screen.ascii, encoding="utf-8", environ=no_color)
    options = replace(screen.options(bell=False), theme=theme)
    trimmer = None if bench is None else FirstTrimmer(bench)

    def make(page: PageChannel) -> PageApp:
        return PageApp(page, log, run, trimmer=trimmer, options=options)

    return make


def _say_crash(crash: str) -> None:
    narrate(f"a page stopped: {crash}. Open it again; the details are in the screen's log.")
