"""A controller that puts a GPIB on a network; its commands are lines that begin with ``++``.

The commands, from memory of the common manuals of such controllers: ``++addr 5`` selects the
instrument, any other line is sent to it, ``++read eoi`` addresses it to talk, and a read that times
out gives no answer at all. So every read is followed by ``++ver``, whose answer is known: once that
comes the read is over, nothing is read twice, and nothing is still to come. Several counters share
one controller and use it in turn.
"""

import threading
from collections.abc import Callable
from typing import Final

from benchwatch.bus.fair_lock import FairLock
from benchwatch.bus.wire import Wire
from benchwatch.errors import BenchwatchError, ConnectionFailed, LinkLost, ReplyTimeout
from benchwatch.system.clocks import monotonic

SETTINGS: Final = (
    b"++savecfg 0\n++mode 1\n++auto 0\n++eoi 1\n++eos 0\n++eot_enable 1\n++eot_char 10\n"
)
"""In order: save nothing in its memory; be the controller; read only on request; assert EOI at the
end of what it sends; end that with CR LF; put a line feed where an instrument asserts EOI."""
SILENCE_S: Final = 0.05
VERSION_TIMEOUT_S: Final = 2.0
"""A peer that does not report a version within this is no controller, or has gone."""
SHARED_SLICE_S: Final = 0.05
"""Longest read of a controller with several counters: it delays the reading of another one."""
ESCAPE: Final = 27
ESCAPED: Final = frozenset(b"\x1b\r\n+")
MOST_LINE_BYTES: Final = 1 << 20
"""Bytes; of a longer line only the tail is kept, which is enough to find the end of the read."""
TRAVEL_TIME_S: Final = 0.02
"""Added to a timeout, for the travel time of what the controller sends at its end."""


class Controller:
    """One controller, shared by the threads of several counters.

    Args:
        wire: the open socket to the controller.

    Raises:
        ConnectionFailed: nothing answers as a LAN-GPIB controller does.
    """

    def __init__(self, wire: Wire) -> None:
        self.lock = FairLock()
        self.broken = False
        self.users = 1
        """Number of counters that share it."""
        self._wire = wire
        self._address: int | None = None
        self._timeout_ms: int | None = None
        self._reads_from: int | None = None
        """GPIB address of the read that has not ended yet."""
        self._received = bytearray()
        self._kept: dict[int, bytes] = {}
        """Bytes of instruments that were read on behalf of another one, by address."""
        self._version = self._set_up()

    def send(self, address: int, data: bytes) -> None:
        """Send `data`, which ends with a line feed, to the instrument at `address`."""
        with self.lock:
            self._finish()
            self._kept.pop(address, None)  # older than the command, so no answer to it
            body = bytearray()
            for byte in data.removesuffix(b"\n"):
                body += bytes((ESCAPE, byte)) if byte in ESCAPED else bytes((byte,))
            self._send_bytes(self._select(address) + bytes(body) + b"\n")

    def command(self, address: int, command: bytes) -> None:
        """Send a ``++`` line without an answer, for the instrument at `address`."""
        with self.lock:
            self._finish()
            self._send_bytes(self._select(address) + command + b"\n")

    def read(self, address: int, timeout_s: float) -> bytes:
        """Address the instrument to talk for up to `timeout_s`; less on a shared controller.

        Returns:
            Its bytes, with a line feed where it asserted EOI; b'' when none came.
        """
        with self.lock:
            if self._reads_from != address:
                self._finish()
                kept = self._kept.pop(address, b"")
                if kept:
                    return kept
                self._begin_read(address, min(timeout_s, SHARED_SLICE_S if self.users > 1 else 3.0))
            data = self._read_line(timeout_s)
            return b"" if data is None else data

    def has_kept(self, address: int) -> bool:
        """Return whether bytes from `address` wait to be read."""
        return bool(self._kept.get(address))

    def close(self) -> None:
        """Close the connection to the controller."""
        self.broken = True
        self._wire.close()

    def _set_up(self) -> bytes:
        """Send the settings; return the controller's version."""
        self._send_bytes(SETTINGS)
        while self._receive_bytes(
            SILENCE_S
        ):  # an older controller reports settings it does not know
            pass
        self._send_bytes(b"++ver\n")
        deadline = monotonic() + VERSION_TIMEOUT_S
        while not self._received.endswith(b"\n"):
            left_s = deadline - monotonic()
            if left_s <= 0 or len(self._received) > 200:
                raise ConnectionFailed(
                    f"nothing at {self._wire.resource} answers ++ver as a LAN-GPIB controller "
                    "does. Check its address and port."
                )
            self._received += self._receive_bytes(left_s)
        version = bytes(self._received).strip()
        self._received.clear()
        return version

    def _select(self, address: int) -> bytes:
        """Return the command that selects an instrument; b'' where it is selected already."""
        if address == self._address:
            return b""
        self._address = address
        return b"++addr %d\n" % address

    def _begin_read(self, address: int, timeout_s: float) -> None:
        timeout_ms = max(round(timeout_s * 1000), 1)
        commands = self._select(address)
        if timeout_ms != self._timeout_ms:
            commands += b"++read_tmo_ms %d\n" % timeout_ms
            self._timeout_ms = timeout_ms
        self._send_bytes(commands + b"++read eoi\n++ver\n")
        self._reads_from = address

    def _finish(self) -> None:
        """Wait for the end of the pending read, and keep its bytes for their instrument.

        Raises:
            LinkLost: the end does not come.
        """
        deadline = monotonic() + (self._timeout_ms or 0) / 1000 + VERSION_TIMEOUT_S
        while self._reads_from is not None:
            address = self._reads_from
            data = self._read_line(deadline - monotonic())
            if data is None:
                self.broken = True
                raise LinkLost(
                    f"the controller {self._wire.resource} no longer answers. "
                    "Check its power and cable."
                )
            if data:
                self._kept[address] = self._kept.get(address, b"") + data

    def _read_line(self, timeout_s: float) -> bytes | None:
        """Return the bytes up to the last line end that has come, or up to the end of the read.

        None when neither comes within `timeout_s`; the read then continues.
        """
        deadline = monotonic() + timeout_s
        while True:
            data, at_end, _ = self._received.partition(self._version + b"\r\n")
            if not at_end:
                data, at_end, _ = self._received.partition(self._version + b"\n")
            if at_end:
                self._received.clear()
                self._reads_from = None
                return bytes(data)
            line_end = self._received.rfind(b"\n") + 1
            if line_end:
                line = bytes(self._received[:line_end])
                del self._received[:line_end]
                return line
            left_s = deadline + TRAVEL_TIME_S - monotonic()
            if left_s <= 0:
                return None
            self._received += self._receive_bytes(left_s)
            if len(self._received) > MOST_LINE_BYTES:
                del self._received[: -len(self._version) - 2]

    def _send_bytes(self, data: bytes) -> None:
        try:
            self._wire.send(data)
        except BenchwatchError:
            self.broken = True
            raise

    def _receive_bytes(self, timeout_s: float) -> bytes:
        try:
            return self._wire.receive(timeout_s)
        except ReplyTimeout:
            return b""
        except BenchwatchError:
            self.broken = True
            raise


class Controllers:
    """The open controllers, by host and port; each is opened once and shared."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._opening: dict[tuple[str, int], threading.Lock] = {}
        self._open: dict[tuple[str, int], Controller] = {}

    def get(self, key: tuple[str, int], open_wire: Callable[[], Wire]) -> Controller:
        """Return the controller at `key`; open it where it is not open, or broken."""
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

    def release(self, key: tuple[str, int], controller: Controller) -> None:
        """Count one user less; the last one closes the controller."""
        with self._lock:
            controller.users -= 1
            if controller.users:
                return
            if self._open.get(key) is controller:
                del self._open[key]
        controller.close()
