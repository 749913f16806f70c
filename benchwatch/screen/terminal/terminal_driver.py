"""The driver for this terminal: reads its keys, and sets its modes while the screen is drawn."""

import contextlib
import os
import signal
import sys
import termios
from codecs import getincrementaldecoder
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final, cast

from textual.drivers.linux_driver import LinuxDriver

from benchwatch.screen.terminal.key_input import KeyInput
from benchwatch.screen.terminal.terminal_stream import TerminalStream
from benchwatch.system.terminal_modes import in_foreground
from benchwatch.system.waiting import wait_readable

if TYPE_CHECKING:
    from benchwatch.screen.app import BenchwatchApp

assert sys.platform != "win32"  # there the screen uses the library's own driver

KEY_BURST, KEYS_PER_S = 4096, 500.0
"""Keys accepted at once, and a second after that: more than hands type."""
MOST_CELLS: Final = (1000, 500)
"""Columns and rows that are drawn on at most; a larger terminal is filled in part."""
INPUT_CHECK_EVERY_S: Final = 0.1
"""How often the reading thread checks whether the screen has ended or Esc was pressed alone."""
WAKE_S: Final = 0.5
"""How long a process continued in the background runs before it stops again: time to end in order
if that was requested."""


class TerminalDriver(LinuxDriver):
    """The terminal library's driver, with its reading and its job control replaced.

    The library's reading thread loops without pause at the end of the input, and ends the screen at
    a byte that is not UTF-8. At SIGCONT the library sets the terminal up again even if it had not
    restored it; the modes that it restores at the end are then its own. In the background, where
    setting a mode or reading a key stops the process, the library does both.
    """

    def __init__(self, *args: Any, **options: Any) -> None:
        """Take the arguments of the library's driver, which also handles SIGTSTP and SIGCONT."""
        super().__init__(*args, **options)
        self._up = self._suspended = False
        self._drawing_modes: list[Any] | None = None

    def start_application_mode(self) -> None:
        """Set the terminal up for drawing; in the background, stop the process instead."""
        if self._up:
            return
        if not in_foreground(self.fileno):
            self._suspended = True
            self._in_loop(self._suspend)
            return
        self._up = True
        super().start_application_mode()  # type: ignore[no-untyped-call] # the library has no types
        with contextlib.suppress(termios.error):
            self._drawing_modes = termios.tcgetattr(self.fileno)

    def stop_application_mode(self) -> None:
        """Restore the terminal, also in the background, without stopping the process."""
        if self._up:
            with unstopped():
                super().stop_application_mode()
            self._up = False

    def disable_input(self) -> None:
        """Accept no more keys and drop waiting ones; both would stop a background process."""
        with unstopped():
            super().disable_input()

    def write(self, data: str) -> None:
        """Write output; drop it while another program has the terminal."""
        if self._up:
            super().write(data)

    def _get_terminal_size(self) -> tuple[int, int]:
        """Return columns and rows to draw on, as the system reports them; input is not trusted."""
        width, height = super()._get_terminal_size()
        return min(width, MOST_CELLS[0]), min(height, MOST_CELLS[1])

    def _sigtstp_application(self, *_: object) -> None:
        self._in_loop(self._suspend)

    def _sigcont_application(self, *_: object) -> None:
        self._in_loop(self._continue)

    def _in_loop(self, act: Any) -> None:
        """Run `act` between two events of the loop: a signal may come while a mode is being set."""
        with contextlib.suppress(RuntimeError):  # the loop has ended meanwhile
            self._loop.call_soon_threadsafe(act)

    def _suspend(self) -> None:
        """Restore the terminal, then stop the process as SIGTSTP asks."""
        if self._up:
            self.suspend_application_mode()
            self._suspended = True
        os.kill(os.getpid(), signal.SIGSTOP)

    def _continue(self) -> None:
        """Set the terminal up again; in the background stop again, unless the screen ends soon."""
        if not self._wanted:
            return
        if not in_foreground(self.fileno):
            self._loop.call_later(WAKE_S, self._stop_in_background)
        elif self._suspended:
            self._suspended = False
            self.resume_application_mode()
        else:
            # The process stopped before it restored the terminal, which others have used since.
            if self._drawing_modes is not None:
                with contextlib.suppress(termios.error):
                    termios.tcsetattr(self.fileno, termios.TCSANOW, self._drawing_modes)
            self.write("\x1b[?25l\x1b[?2004h")
        self._app.refresh(layout=True)

    @property
    def _wanted(self) -> bool:
        """Whether the screen is up, or would be if in the foreground, and is not ending."""
        return (self._up or self._suspended) and not cast("BenchwatchApp", self._app).ending

    def _stop_in_background(self) -> None:
        """Stop a process that is still in the background and not ending."""
        if self._wanted and not in_foreground(self.fileno):
            os.kill(os.getpid(), signal.SIGSTOP)

    def run_input_thread(self) -> None:
        """Send typed keys to the app until the screen ends or the input does."""
        keys = KeyInput(burst=KEY_BURST, per_s=KEYS_PER_S)
        decode = getincrementaldecoder("utf-8")("replace").decode
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTTIN})
        while not (self.exit_event.is_set() or self._loop.is_closed()):
            if not in_foreground(self.fileno):  # typed keys are for another program
                self.exit_event.wait(INPUT_CHECK_EVERY_S)
            elif wait_readable(self.fileno, INPUT_CHECK_EVERY_S):
                typed = self._read()
                if not typed:
                    if typed is None:
                        continue
                    self._keys_have_ended()
                    return
                text = decode(typed)
                for message in keys.feed(text):
                    self.process_message(message)
            for message in keys.tick():
                self.process_message(message)

    def _read(self) -> bytes | None:
        """Read what was typed: empty at the end of the input, None while nothing has come."""
        try:
            return os.read(self.fileno, 4096)
        except BlockingIOError:  # another program has made reads non-blocking
            return None
        except OSError:  # reading in the background fails too
            return b"" if in_foreground(self.fileno) else None

    def _keys_have_ended(self) -> None:
        """Continue without keys at the end of a file; mark a terminal whose input ends as lost."""
        if self.input_tty and isinstance(self._file, TerminalStream):
            self._file.mark_lost()


@contextlib.contextmanager
def unstopped() -> Iterator[None]:
    """Let this thread set terminal modes in the background too (SIGTTOU; POSIX.1-2017, 11.1.4)."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTTOU})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
