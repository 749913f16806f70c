"""Shutdown by signals: a command ends in order, or by force if that takes too long."""

import contextlib
import os
import signal
import socket
import sys
import threading
import time
import traceback
from collections.abc import Callable
from typing import Final, Self, TextIO

from benchwatch.errors import INTERRUPTED
from benchwatch.system.stop_signals import (
    HANG_UP,
    STOP_SIGNALS,
    restore_handlers,
    restore_wakeup,
)

ORDERLY_S: Final = 3.0
"""Longest time for the orderly end."""
CLEANUP_S: Final = 4.0
"""Longest time for the cleanup: the counters are released in about two seconds."""
LOG_S: Final = 0.2
"""Longest time for a write to the log, which may be the terminal that hangs."""
_CONTEXT_LEFT: Final = 0
"""Sent to the thread in place of a signal's number when the context is left."""


class SignalShutdown:
    """A context in which signals are handled on a thread of their own.

    The handling does not depend on the main thread, which may hang in a write to a terminal or in
    a stopped event loop: the interpreter writes the number of the signal to a socket, and the
    thread reads the other end. The thread asks for the orderly end; if the context is not left
    within `ORDERLY_S`, the thread cleans up and ends the process with exit code 130.

    Only the main thread may enter the context.

    Args:
        end: asks for the orderly end; called on the thread.
        cleanup: saves data that must not be lost, when there is no orderly end.
        log: where a missing orderly end is reported; None: standard error.
    """

    def __init__(
        self, end: Callable[[], None], cleanup: Callable[[], object], log: TextIO | None = None
    ) -> None:
        self._end, self._cleanup, self._log = end, cleanup, log
        self._saved = threading.Event()
        self._receiver, self._sender = socket.socketpair()
        self._sender.setblocking(False)  # required by signal.set_wakeup_fd
        self._thread = threading.Thread(target=self._wait, name="shutdown", daemon=True)

    def __enter__(self) -> Self:
        """Install the signal handlers and start the thread."""
        self._handlers_before = {number: signal.signal(number, _ignored) for number in STOP_SIGNALS}
        wakeup_fd = self._sender.fileno()
        self._wakeup_fd_before = signal.set_wakeup_fd(wakeup_fd, warn_on_full_buffer=False)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Restore the signal handlers after an orderly end."""
        restore_wakeup(self._wakeup_fd_before)
        restore_handlers(self._handlers_before)
        self._send(_CONTEXT_LEFT)
        self._thread.join()
        self._sender.close()
        self._receiver.close()

    def ask(self) -> None:
        """Ask for the orderly end, as a signal does; any thread may call this."""
        self._send(HANG_UP)

    def _send(self, number: int) -> None:
        with contextlib.suppress(OSError):  # full: enough signals are waiting to be read
            self._sender.send(bytes([number]))

    def _wait(self) -> None:
        """Wait until a signal comes or the context is left; end the command after a signal."""
        if self._receive({_CONTEXT_LEFT, *STOP_SIGNALS}, None) == _CONTEXT_LEFT:
            return
        self._end()
        if self._receive({_CONTEXT_LEFT}, ORDERLY_S) is None:
            self._end_without_order()

    def _receive(self, wanted: set[int], within_s: float | None) -> int | None:
        """Wait for one of the numbers `wanted` and return it; None: none came in time."""
        deadline_s = None if within_s is None else time.monotonic() + within_s
        while deadline_s is None or time.monotonic() < deadline_s:
            if deadline_s is not None:
                self._receiver.settimeout(max(deadline_s - time.monotonic(), 0.001))
            try:
                number = self._receiver.recv(1)[0]
            except TimeoutError:
                break
            if number in wanted:
                return number
        return None

    def _end_without_order(self) -> None:
        """Clean up on another thread, and end the process even if that hangs."""
        thread = threading.Thread(target=self._clean_up_and_report, name="cleanup", daemon=True)
        thread.start()
        self._saved.wait(CLEANUP_S)
        thread.join(LOG_S)
        os._exit(INTERRUPTED)

    def _clean_up_and_report(self) -> None:
        log = self._log or sys.stderr
        try:
            self._cleanup()
        except Exception:  # noqa: BLE001 - the process ends here, and the log says why
            traceback.print_exc(file=log)
        self._saved.set()
        with contextlib.suppress(OSError):
            print(
                f"benchwatch: no orderly end within {ORDERLY_S:g} s of being told to; "
                "ended without it.",
                file=log,
                flush=True,
            )


def _ignored(_number: int, _frame: object) -> None:
    """Do nothing: the interpreter has written the signal's number to the socket."""
