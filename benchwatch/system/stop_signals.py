"""The signals that ask a program to end, and the descriptor that is told of a signal."""

import signal
import sys
import threading
from collections.abc import Mapping
from contextlib import suppress
from typing import Any, Final

STOP_SIGNALS: Final = tuple(
    getattr(signal, name)
    for name in ("SIGTERM", "SIGHUP", "SIGINT", "SIGQUIT", "SIGBREAK")
    if hasattr(signal, name)
)
"""Those that this system has. SIGBREAK: Ctrl-Break, and a console window that is closed."""
HANG_UP: Final = int(getattr(signal, "SIGHUP", signal.SIGTERM))
"""What asks for the end when the terminal is gone."""


CHECK_S: Final = 0.2
"""Time between two looks at an event where a wait is not interrupted."""


def restore_wakeup(descriptor: int) -> None:
    """Let signals be told to `descriptor` again, as `signal.set_wakeup_fd` returned it.

    The event loop to which it belonged may have closed it, as that of Windows does.
    """
    try:
        signal.set_wakeup_fd(descriptor)
    except (ValueError, OSError):
        signal.set_wakeup_fd(-1)


def restore_handlers(before: Mapping[Any, Any]) -> None:
    """Set the handlers that `signal.getsignal` or `signal.signal` returned; not those set in C."""
    for number, handler in before.items():
        if handler is not None:
            signal.signal(number, handler)


def wait_until_set(event: threading.Event, platform: str = sys.platform) -> None:
    """Wait for an event that the handler of a signal sets.

    Windows runs no handler while the main thread waits, so there it looks up now and then.
    """
    every_s = CHECK_S if platform == "win32" else None
    while not event.wait(every_s):
        pass


def block_signal(name: str) -> None:
    """Block a signal such as ``SIGTTOU`` for this thread, where the system has it."""
    library: Any = signal  # a type checker for Windows knows no `pthread_sigmask`
    with suppress(AttributeError):
        library.pthread_sigmask(library.SIG_BLOCK, {getattr(signal, name)})
