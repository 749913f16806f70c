"""A controller that puts a GPIB on a network, told what to do in lines that begin with ``++``.

What is said to it, from the common manuals of its kind, from memory: ``++addr 5`` chooses the
instrument, any other line is sent to it, ``++read eoi`` lets it talk, and a read that times
out is passed over in silence. So every read is followed by ``++ver``, whose answer is known:
when it comes, the read is over, and nothing can be read twice or left on the way. Several
counters share one controller, a turn each.
"""

import threading
import time
from collections.abc import Callable
from typing import Final

from benchwatch.bus.fair_lock import FairLock
from benchwatch.bus.wire import Wire
from benchwatch.errors import BenchwatchError, ConnectionFailed, LinkLost, ReplyTimeout

SETTINGS: Final = (
    b"++savecfg 0\n++mode 1\n++auto 0\n++eoi 1\n++eos 0\n++eot_enable 1\n++eot_char 10\n"
)
"""Nothing is written to its memory; it is the controller, reads only when told to, ends what
it sends with CR LF and END, and marks the END of what it hears with a line feed."""
SILENCE_S: Final = 0.05
ANSWER_S: Final = 2.0
"""A controller that does not say its version within this is none, or has gone."""
SHARED_SLICE_S: Final = 0.05
"""Longest read of a controller with several counters: as late may another's reading come."""
ESCAPE: Final = 27
ESCAPED: Final = frozenset(b"\x1b\r\n+")
LONGEST_LINE: Final = 1 << 20
"""Bytes; of more without an end only the tail is kept, in which the end will show."""
GRACE_S: Final = 0.02
"""For the way of a read that ends when its time is up."""


class Controller:
    """One controller, shared by the threads of several counters.

    Args:
        wire: the open socket to it.

    Raises:
        ConnectionFailed: what answers is no such controller.
    """

    def __init__(self, wire: Wire) -> None:
        self.turns = FairLock()
        self.broken = False
        self.users = 1
        """How many counters share it."""
        self._wire = wire
        self._address: int | None = None
        self._timeout_ms: int | None = None
        self._reads_from: int | None = None
        """Whom the read concerns whose end has not been seen yet."""
        self._come = bytearray()
        self._kept: dict[int, bytes] = {}
        self._version = self._find_out()

    def send(self, address: int, data: bytes) -> None:
        """Send `data`, which ends with a line feed, to the instrument at `address`."""
        with self.turns:
            self._finish()
            self._kept.pop(address, None)  # said before the question: no answer to it
            body = bytearray()
            for byte in data.removesuffix(b"\n"):
                body += bytes((ESCAPE, byte)) if byte in ESCAPED else bytes((byte,))
            self._put(self._choose(address) + bytes(body) + b"\n")

    def command(self, address: int, command: bytes) -> None:
        """Send a ``++`` line that has no answer and concerns the instrument at `address`."""
        with self.turns:
            self._finish()
            self._put(self._choose(address) + command + b"\n")

    def read(self, address: int, timeout_s: float) -> bytes:
        """Let the instrument at `address` talk for up to `timeout_s`, less on a shared one.

        Returns:
            What it said, with a line feed where it marked its end; b'' when it said nothing.
        """
        with self.turns:
            if self._reads_from != address:
                self._finish()
                kept = self._kept.pop(address, b"")
                if kept:
                    return kept
                self._begin_read(address, min(timeout_s, SHARED_SLICE_S if self.users > 1 else 3.0))
            said = self._hear(timeout_s)
            return b"" if said is None else said

    def kept(self, address: int) -> bool:
        """Tell whether something has come from `address` that nobody has taken."""
        return bool(self._kept.get(address))

    def close(self) -> None:
        """Let go of the controller."""
        self.broken = True
        self._wire.close()

    def _find_out(self) -> bytes:
        self._put(SETTINGS)
        while self._take(SILENCE_S):  # an older controller complains of what it does not know
            pass
        self._put(b"++ver\n")
        deadline = time.monotonic() + ANSWER_S
        while not self._come.endswith(b"\n"):
            left_s = deadline - time.monotonic()
            if left_s <= 0 or len(self._come) > 200:
                raise ConnectionFailed(
                    f"nothing at {self._wire.resource} answers ++ver as a LAN-GPIB controller "
                    "does. Check its address and port."
                )
            self._come += self._take(left_s)
        version = bytes(self._come).strip()
        self._come.clear()
        return version

    def _choose(self, address: int) -> bytes:
        if address == self._address:
            return b""
        self._address = address
        return b"++addr %d\n" % address

    def _begin_read(self, address: int, timeout_s: float) -> None:
        timeout_ms = max(round(timeout_s * 1000), 1)
        commands = self._choose(address)
        if timeout_ms != self._timeout_ms:
            commands += b"++read_tmo_ms %d\n" % timeout_ms
            self._timeout_ms = timeout_ms
        self._put(commands + b"++read eoi\n++ver\n")
        self._reads_from = address

    def _finish(self) -> None:
        """See the end of the read before, and keep what still came for whoever it is for.

        Raises:
            LinkLost: it has no end.
        """
        deadline = time.monotonic() + (self._timeout_ms or 0) / 1000 + ANSWER_S
        while self._reads_from is not None:
            address = self._reads_from
            said = self._hear(deadline - time.monotonic())
            if said is None:
                self.broken = True
                raise LinkLost(
                    f"the controller {self._wire.resource} no longer answers. "
                    "Check its power and cable."
                )
            if said:
                self._kept[address] = self._kept.get(address, b"") + said

    def _hear(self, timeout_s: float) -> bytes | None:
        """Return what is read, up to its first line end or to the end of the read.

        None when neither comes within `timeout_s`; the read then goes on.
        """
        deadline = time.monotonic() + timeout_s
        while True:
            said, at_end, _ = self._come.partition(self._version + b"\r\n")
            if not at_end:
                said, at_end, _ = self._come.partition(self._version + b"\n")
            if at_end:
                self._come.clear()
                self._reads_from = None
                return bytes(said)
            line_end = self._come.rfind(b"\n") + 1
            if line_end:
                line = bytes(self._come[:line_end])
                del self._come[:line_end]
                return line
            left_s = deadline + GRACE_S - time.monotonic()
            if left_s <= 0:
                return None
            self._come += self._take(left_s)
            if len(self._come) > LONGEST_LINE:
                del self._come[: -len(self._version) - 2]

    def _put(self, data: bytes) -> None:
        try:
            self._wire.send(data)
        except BenchwatchError:
            self.broken = True
            raise

    def _take(self, timeout_s: float) -> bytes:
        try:
            return self._wire.receive(timeout_s)
        except ReplyTimeout:
            return b""
        except BenchwatchError:
            self.broken = True
            raise


class Controllers:
    """The controllers of the process, by host and port; each is opened once and shared."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._opening: dict[tuple[str, int], threading.Lock] = {}
        self._open: dict[tuple[str, int], Controller] = {}

    def get(self, key: tuple[str, int], open_wire: Callable[[], Wire]) -> Controller:
        """Return the controller at `key`, opening it if nobody has, or if it has broken."""
        with self._lock:
            opening = self._opening.setdefault(key, threading.Lock())
        with opening:
            with self._lock:
                controller = self._open.get(key)
                if controller is not None and not controller.broken:
                    controller.users += 1
                    return controller
            wire = open_wire()
            try:
                controller = Controller(wire)
            except BaseException:
                wire.close()
                raise
            with self._lock:
                self._open[key] = controller
            return controller

    def let_go(self, key: tuple[str, int], controller: Controller) -> None:
        """One user fewer; the last one closes it."""
        with self._lock:
            controller.users -= 1
            if controller.users:
                return
            if self._open.get(key) is controller:
                del self._open[key]
        controller.close()
