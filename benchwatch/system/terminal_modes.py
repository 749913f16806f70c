"""The modes of a terminal, and the terminal of a process whose standard input is something else."""

import os
import sys
from contextlib import suppress
from typing import Any

from benchwatch.system.optional_module import optional_module
from benchwatch.system.stop_signals import block_signal


def has_terminal_modes() -> bool:
    """Return whether terminals of this system have modes (POSIX.1-2017, 11); Windows has none."""
    return optional_module("termios") is not None


def terminal_modes(descriptor: int) -> list[Any] | None:
    """Return the modes of a terminal; None: it is none, is gone, or there are no modes."""
    termios = optional_module("termios")
    if termios is not None:
        with suppress(termios.error):
            modes: list[Any] = termios.tcgetattr(descriptor)
            return modes
    return None


def restore_terminal(descriptor: int, modes: list[Any] | None) -> None:
    """Set the modes that `terminal_modes` returned, without waiting for pending output.

    It can't stop a process that is in the background by now: SIGTTOU stays blocked.
    """
    termios = optional_module("termios")
    if termios is not None and modes is not None:
        block_signal("SIGTTOU")
        with suppress(termios.error):
            termios.tcsetattr(descriptor, termios.TCSANOW, modes)


def drop_output(descriptor: int) -> None:
    """Drop what a terminal has not shown yet."""
    termios = optional_module("termios")
    if termios is not None:
        with suppress(termios.error):
            termios.tcflush(descriptor, termios.TCOFLUSH)


def is_hung_up(descriptor: int) -> bool:
    """Return whether the other side of a terminal is gone; then its modes can't be read either."""
    return has_terminal_modes() and terminal_modes(descriptor) is None


def in_foreground(descriptor: int) -> bool:
    """Return whether keys on this terminal are for this process (POSIX.1-2017, 11.1.4)."""
    library: Any = os  # a type checker for Windows knows no `tcgetpgrp`
    try:
        return bool(library.tcgetpgrp(descriptor) == library.getpgrp())
    except (OSError, AttributeError):  # no controlling terminal, so none that could stop it
        return True


def open_own_terminal(platform: str = sys.platform) -> int:
    """Open the terminal of this process for reading keys; return its descriptor.

    Raises:
        OSError: there is none.
    """
    return os.open("CONIN$" if platform == "win32" else "/dev/tty", os.O_RDWR)


def draws_on_descriptor(platform: str = sys.platform) -> bool:
    """Return whether bytes of UTF-8 on a terminal's descriptor are shown as they are meant.

    A console of Windows takes bytes for its own old code page; text must go through Python's own
    stream, which speaks to it in characters.
    """
    return platform != "win32"
