"""Signals on systems that lack some, and after an event loop that closed its descriptor."""

import signal
import socket
import subprocess
import sys
import threading

import pytest

from benchwatch.run.shutdown import SignalShutdown
from benchwatch.system.stop_signals import (
    CHECK_S,
    block_signal,
    restore_handlers,
    restore_wakeup,
    wait_until_set,
)


def test_a_closed_descriptor_is_not_told_of_signals_again() -> None:
    """The event loop of Windows tells itself of signals, and is closed before the shutdown ends.

    Source: `BaseProactorEventLoop.__init__` and `close` of CPython's asyncio.
    """
    near, far = socket.socketpair()
    near.setblocking(False)
    signal.set_wakeup_fd(near.fileno())
    ended = threading.Event()

    with SignalShutdown(ended.set, lambda: None):
        near.close()
        far.close()

    assert signal.set_wakeup_fd(-1) == -1


def test_an_open_descriptor_is_told_again() -> None:
    """What was set before the context is set after it."""
    near, far = socket.socketpair()
    near.setblocking(False)
    with near, far:
        restore_wakeup(near.fileno())

        assert signal.set_wakeup_fd(-1) == near.fileno()


def test_a_handler_set_in_c_is_left_alone() -> None:
    """`signal.getsignal` returns None for it, which can't be set."""
    before = signal.getsignal(signal.SIGTERM)

    restore_handlers({signal.SIGTERM: None})

    assert signal.getsignal(signal.SIGTERM) is before


def test_a_system_without_masks_blocks_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows has neither SIGTTOU nor masks of signals."""
    monkeypatch.delattr(signal, "pthread_sigmask")
    block_signal("SIGTTOU")
    monkeypatch.undo()
    block_signal("SIGNOWHERE")


def test_the_signals_of_windows_end_in_order() -> None:
    """With the signals of Windows only, Ctrl-C ends in order; Ctrl-Break is one of them."""
    program = """
import signal, sys, os, threading
for name in ("SIGHUP", "SIGQUIT", "SIGTSTP", "SIGCONT", "SIGWINCH", "SIGTTIN", "SIGTTOU"):
    delattr(signal, name)
signal.SIGBREAK = signal.SIGUSR1
from benchwatch.run.shutdown import SignalShutdown
from benchwatch.system.stop_signals import HANG_UP, STOP_SIGNALS
assert STOP_SIGNALS == (signal.SIGTERM, signal.SIGINT, signal.SIGBREAK), STOP_SIGNALS
assert HANG_UP == signal.SIGTERM
for number in (signal.SIGINT, signal.SIGBREAK):
    ended = threading.Event()
    with SignalShutdown(ended.set, lambda: None):
        signal.raise_signal(number)
        assert ended.wait(60)
print("in order")
"""

    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)

    assert done.stdout == "in order\n", done.stderr


def test_a_wait_looks_up_where_nothing_interrupts_it() -> None:
    """On Windows a wait without a limit would hold up the handler of Ctrl-C."""

    class MadeEvent(threading.Event):
        """Is set at the third wait, and keeps how long each may last."""

        def __init__(self) -> None:
            super().__init__()
            self.waits: list[float | None] = []

        def wait(self, timeout: float | None = None) -> bool:
            self.waits.append(timeout)
            return len(self.waits) == 3 or timeout is None

    windows, elsewhere = MadeEvent(), MadeEvent()

    wait_until_set(windows, "win32")
    wait_until_set(elsewhere, "linux")

    assert windows.waits == [CHECK_S] * 3
    assert elsewhere.waits == [None]
