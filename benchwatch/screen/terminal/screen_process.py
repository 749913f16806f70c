"""Runs the screen on this terminal, and restores the terminal even after a crash."""

import asyncio
import contextlib
import io
import os
import signal
import sys
import threading
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TextIO

from benchwatch.errors import INTERRUPTED, BenchwatchError
from benchwatch.run.shutdown import SignalShutdown
from benchwatch.screen.app import BenchwatchApp, described
from benchwatch.screen.terminal.terminal_stream import TerminalStream
from benchwatch.system.stop_signals import restore_handlers
from benchwatch.system.terminal_modes import (
    draws_on_descriptor,
    drop_output,
    has_terminal_modes,
    open_own_terminal,
    restore_terminal,
    terminal_modes,
)

CRASHED = BenchwatchError.exit_code
LARGEST_LOG_BYTES = 1_000_000
RESET = b"\x1b[?1000l\x1b[?2004l\x1b[?7h\x1b[<u\x1b[?1049l\x1b[?25h\x1b[?1004l"
"""No mouse, no marks around pasted text, line wrap, plain keys, the main screen, a cursor, no
reports of focus."""
RESET_S = 0.2
"""Longest wait for the terminal to accept `RESET`."""


def run_screen(app: BenchwatchApp, *, cleanup: Callable[[], object] = lambda: None) -> int:
    """Run `app` on this terminal and return the exit code.

    0 after quitting, 130 after Ctrl-C, a signal or the loss of the terminal, 1 after a
    crash, which leaves one sentence on standard error and its traceback in the log.

    Args:
        app: the screen.
        cleanup: saves data that must not be lost, when a signal can't end the screen in order, such
            as on a terminal that accepts no output; then the process ends.
    """
    log = app.options.log
    crash = ""
    with open_log(log) as sink:
        _take_keys_from_terminal()
        modes = terminal_modes(0)
        runner = asyncio.Runner()
        loop = runner.get_loop()

        def leave() -> None:
            with contextlib.suppress(RuntimeError):  # the loop has ended by itself meanwhile
                loop.call_soon_threadsafe(app.action_interrupt)

        def end_without_screen() -> None:
            restore_terminal(0, modes)
            cleanup()
            _reset_terminal()

        with SignalShutdown(leave, end_without_screen, sink) as ending:

            def lost() -> None:
                print("benchwatch: the terminal is gone; the watch ends.", file=sink)
                ending.ask()

            with _drawn_on_terminal(sink, lost), _restored_handlers():
                try:
                    with runner:
                        _use_own_driver(app)
                        runner.run(app.run_async(mouse=False))
                except Exception as error:  # noqa: BLE001 - the last place to report it in a sentence
                    traceback.print_exc()
                    crash = described(error)
            restore_terminal(0, modes)
        code = app.return_code or 0
    if code not in {0, INTERRUPTED} and not crash:
        crash = app.crash or "unknown error"
    if crash:
        with contextlib.suppress(OSError):
            print(
                f"benchwatch: the screen stopped: {crash}. Start it again; the details for a "
                f"report are in {log}.",
                file=sys.stderr,
            )
        return code or CRASHED
    return code


def _use_own_driver(app: BenchwatchApp) -> None:
    """Draw and read keys by our own driver, where the system has terminal modes."""
    if sys.platform != "win32" and has_terminal_modes():
        from benchwatch.screen.terminal.terminal_driver import TerminalDriver  # noqa: PLC0415 - POSIX systems only

        app.driver_class = TerminalDriver


def _take_keys_from_terminal() -> None:
    """Read keys from the terminal where standard input is a file, as in a loop of the shell.

    Where there is no terminal, the screen has no keys.
    """
    if sys.__stdin__ is None:  # it was closed, and the null device replaces it
        sys.__stdin__ = open(0, encoding="utf-8", closefd=False)  # type: ignore[misc] # noqa: SIM115 - the library reads from it
    if not os.isatty(0):
        with contextlib.suppress(OSError):
            terminal = open_own_terminal()
            os.dup2(terminal, 0)
            os.close(terminal)


def _reset_terminal() -> None:
    """Reset the terminal; wait no longer than `RESET_S` if it accepts no output."""
    writing = threading.Thread(target=_write_reset, name="reset terminal", daemon=True)
    writing.start()
    writing.join(RESET_S)


def _write_reset() -> None:
    """Drop pending output, and write `RESET` instead."""
    drop_output(1)
    with contextlib.suppress(OSError):
        os.write(1, RESET)


@contextlib.contextmanager
def _restored_handlers() -> Iterator[None]:
    """On leaving, restore the signal handlers that the terminal library has replaced."""
    names = ("SIGTSTP", "SIGCONT", "SIGWINCH", "SIGTTIN", "SIGTTOU")
    numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
    before = {number: signal.getsignal(number) for number in numbers}
    try:
        yield
    finally:
        restore_handlers(before)


@contextlib.contextmanager
def _drawn_on_terminal(sink: TextIO, lost: Callable[[], None]) -> Iterator[None]:
    """Send file descriptor 2 to `sink` and give the screen the terminal on descriptor 1.

    Libraries written in C print on descriptor 2, which would spoil the picture. The terminal
    library draws on ``sys.__stderr__``, which therefore is a copy of standard output meanwhile; on
    Windows it draws on ``sys.__stdout__``, which stays as it is.
    """
    sys.stdout.flush()
    sys.stderr.flush()
    kept = os.dup(2)
    before = (sys.__stderr__, sys.stderr)
    picture = TerminalStream(os.dup(1), lost) if draws_on_descriptor() else None
    os.dup2(sink.fileno(), 2)
    sys.stderr = sink
    if picture is not None:
        sys.__stderr__ = picture  # type: ignore[misc, assignment] # the library draws there
    try:
        yield
    finally:
        sys.__stderr__, sys.stderr = before  # type: ignore[misc] # both as before
        sink.flush()
        os.dup2(kept, 2)
        os.close(kept)
        if picture is not None:
            picture.close()


class _HarmlessText(io.TextIOWrapper):
    """A text file without control characters, so that a log can be printed on a terminal."""

    def write(self, text: str) -> int:
        """Write `text` with every control character but line ends and tabs shown as ``?``."""
        super().write("".join(c if c.isprintable() or c in "\n\t" else "?" for c in text))
        return len(text)


def open_log(log: Path) -> TextIO:
    """Open the log to append, emptied if it is large; if that fails, open the null device."""
    try:
        log.parent.mkdir(parents=True, exist_ok=True)
        large = log.exists() and log.stat().st_size > LARGEST_LOG_BYTES
        raw = log.open("wb" if large else "ab")
    except OSError:
        raw = Path(os.devnull).open("wb")  # noqa: SIM115 - closed by its wrapper
    return _HarmlessText(raw, encoding="utf-8", errors="replace", line_buffering=True)
