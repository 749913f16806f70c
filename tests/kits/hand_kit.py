"""The hand at a simulated bench that this process serves, and the product on a terminal."""

import os
import pty
import select
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable

from load_kit import PATIENCE_S
from program_kit import COMMAND


def connections_to(port: int) -> int:
    """Count the TCP connections of this host that are established to `port` on loopback."""
    with open("/proc/net/tcp", encoding="ascii") as table:  # noqa: PTH123 - no path of ours
        rows = [line.split() for line in table.readlines()[1:]]
    return sum(row[2].endswith(f":{port:04X}") and row[3] == "01" for row in rows)


def wait_until(what: Callable[[], bool], timeout_s: float = PATIENCE_S) -> bool:
    """Look every 10 ms whether `what` has become true; False when it does not in time."""
    never = threading.Event()
    end = time.monotonic() + timeout_s
    while not what():
        if time.monotonic() > end:
            return False
        never.wait(0.01)
    return True


def tell_hand(port: int, line: str) -> str:
    """Say a line to the hand at a simulated bench; return its answer."""
    with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as hand:
        hand.sendall(line.encode() + b"\n")
        return hand.makefile("r").readline().strip()


class OnTerminal:
    """The product on a pseudo-terminal of 80 x 24."""

    def __init__(self, *arguments: str, columns: int = 80, lines: int = 24) -> None:
        self.shown = b""
        self._pid, self._terminal = pty.fork()
        if self._pid == 0:
            os.environ |= {"TERM": "xterm-256color", "COLUMNS": str(columns), "LINES": str(lines)}
            os.execv(sys.executable, [*COMMAND, *arguments])

    def until(self, text: bytes, timeout_s: float = PATIENCE_S) -> bool:
        """Read what is drawn until `text` is among it."""
        end = time.monotonic() + timeout_s
        while text not in self.shown and time.monotonic() < end:
            if select.select([self._terminal], [], [], 0.2)[0]:
                try:
                    self.shown += os.read(self._terminal, 65536)
                except OSError:
                    break
        return text in self.shown

    def press(self, keys: bytes) -> None:
        """Type."""
        os.write(self._terminal, keys)

    def signal(self, number: signal.Signals) -> None:
        """Send a signal to the product."""
        os.kill(self._pid, number)

    def ended(self) -> int:
        """Read to the end and return the exit code."""
        while select.select([self._terminal], [], [], PATIENCE_S)[0]:
            try:
                self.shown += os.read(self._terminal, 65536)
            except OSError:
                break
        _, status = os.waitpid(self._pid, 0)
        os.close(self._terminal)
        return os.waitstatus_to_exitcode(status)
