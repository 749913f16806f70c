"""A signal ends a command in order, and ends it all the same where the order fails."""

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

ORDERLY_S: Final = 3.0
"""How long the orderly end may take before it is done without."""
RESCUE_S: Final = 4.0
"""How long the rescue may take: the counters are let go in about two seconds."""
SAY_S: Final = 0.2
"""How long it may take to say so: the log may be the very terminal that takes nothing."""
SIGNALS: Final = tuple(
    getattr(signal, name)
    for name in ("SIGTERM", "SIGHUP", "SIGINT", "SIGQUIT")
    if hasattr(signal, name)
)
_OVER: Final = 0
_HANG_UP: Final = int(getattr(signal, "SIGHUP", signal.SIGTERM))


class SignalShutdown:
    """A context in which signals ask for the end, on a thread that nothing can hold up.

    What a signal is told to does not depend on the main thread, which may hang in a write to
    a terminal that takes nothing, or in an event loop that turns no more: the interpreter
    writes the number of the signal into a socket, and a thread waits at its other end. It
    asks for the orderly end; where that does not come in `ORDERLY_S`, it saves what is to be
    saved and ends the process with exit code 130.

    Only the main thread may enter it.

    Args:
        end: asks for the orderly end; called on that thread.
        rescue: saves what must not be lost, when there is no orderly end.
        log: where it is said that there was none.
    """

    def __init__(
        self, end: Callable[[], None], rescue: Callable[[], object], log: TextIO | None = None
    ) -> None:
        self._end, self._rescue, self._log = end, rescue, log
        self._saved = threading.Event()
        self._hears, self._told = socket.socketpair()
        self._told.setblocking(False)  # as the interpreter wants it
        self._thread = threading.Thread(target=self._wait, name="ending", daemon=True)

    def __enter__(self) -> Self:
        """Take the signals."""
        self._before = {number: signal.signal(number, _noted) for number in SIGNALS}
        self._woke = signal.set_wakeup_fd(self._told.fileno(), warn_on_full_buffer=False)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        """It has ended in order: give the signals back."""
        signal.set_wakeup_fd(self._woke)
        for number, handler in self._before.items():
            signal.signal(number, handler)
        self._tell(_OVER)
        self._thread.join()
        self._told.close()
        self._hears.close()

    def ask(self) -> None:
        """Ask for the end as a signal would; any thread may."""
        self._tell(_HANG_UP)

    def _tell(self, number: int) -> None:
        with contextlib.suppress(OSError):  # full, so it has been told more than enough
            self._told.send(bytes([number]))

    def _wait(self) -> None:
        if self._heard({_OVER, *SIGNALS}, None) == _OVER:
            return
        self._end()
        if self._heard({_OVER}, ORDERLY_S) is None:
            self._end_without_order()

    def _heard(self, wanted: set[int], within_s: float | None) -> int | None:
        """Wait for one of these numbers; other signals come along too."""
        deadline_s = None if within_s is None else time.monotonic() + within_s
        while deadline_s is None or time.monotonic() < deadline_s:
            if deadline_s is not None:
                self._hears.settimeout(max(deadline_s - time.monotonic(), 0.001))
            try:
                number = self._hears.recv(1)[0]
            except TimeoutError:
                break
            if number in wanted:
                return number
        return None

    def _end_without_order(self) -> None:
        rescuer = threading.Thread(target=self._rescue_and_say, name="rescue", daemon=True)
        rescuer.start()
        self._saved.wait(RESCUE_S)
        rescuer.join(SAY_S)
        os._exit(INTERRUPTED)

    def _rescue_and_say(self) -> None:
        log = self._log or sys.stderr
        try:
            self._rescue()
        except Exception:  # noqa: BLE001 - the process ends here, and this tells why
            traceback.print_exc(file=log)
        self._saved.set()
        with contextlib.suppress(OSError):
            print(
                f"benchwatch: no orderly end within {ORDERLY_S:g} s of being told to; "
                "ended without it.",
                file=log,
                flush=True,
            )


def _noted(_number: int, _frame: object) -> None:
    """Do nothing: the number of the signal is on its way to the thread already."""
