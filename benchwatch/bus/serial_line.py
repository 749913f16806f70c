"""Serial lines as PyVISA-py opened them, read through the pySerial port inside.

A serial line has no messages, no peer that closes, and no device clear: all bytes that have
come are read, and the session finds the lines in them.
"""

from typing import Any, Final

from benchwatch.bus.exception_mapping import link_failed
from benchwatch.bus.framing import one_line_end
from benchwatch.bus.resource_string import SerialSettings
from benchwatch.bus.wire import CHUNK_BYTES, SEND_TIMEOUT_S, VisaWire
from benchwatch.errors import ConnectionFailed
from benchwatch.system.clocks import monotonic
from benchwatch.system.waiting import wait_readable

LEAST_TIMEOUT_S: Final = 0.001


class SerialWire(VisaWire):
    """A serial line, opened exclusively: another program that opens it is refused.

    Args:
        instrument: what PyVISA opened.
        resource: its resource string.
        port: the pySerial port inside it.

    Raises:
        OSError: another program has the line open.
    """

    honours_timeout = True

    def __init__(self, instrument: Any, resource: str, port: Any) -> None:
        super().__init__(instrument, resource)
        self._port = port
        port.exclusive = True
        port.write_timeout = SEND_TIMEOUT_S
        port.timeout = 0  # takes effect with the two settings above
        try:
            self._fd: int | None = port.fileno()
        except (AttributeError, OSError):  # some systems and kinds of ports have none
            self._fd = None
        self._ended = True

    def receive(self, timeout_s: float) -> bytes:
        """Return up to 4 kB, waiting up to `timeout_s` for the first byte; or b''."""
        deadline = monotonic() + timeout_s
        try:
            while self._wait(max(deadline - monotonic(), 0.0)):
                received = bytes(self._port.read(min(max(self._port.in_waiting, 1), CHUNK_BYTES)))
                data, self._ended = one_line_end(received, after_end=self._ended)
                if data or monotonic() >= deadline:
                    return data
        except Exception as error:
            raise link_failed(error, self._resource, "reading") from error
        return b""

    def has_input(self) -> bool:
        """True when bytes, or a hang-up, wait to be read."""
        try:
            return self._wait(0.0) if self._fd is not None else self._port.in_waiting > 0
        except Exception as error:
            raise link_failed(error, self._resource, "reading") from error

    def send(self, data: bytes) -> None:
        """Send `data`, each line with both CR and LF: old counters want one or the other."""
        try:
            self._port.write(data.replace(b"\r\n", b"\n").replace(b"\n", b"\r\n"))
        except Exception as error:
            raise link_failed(error, self._resource, "sending") from error

    def _wait(self, timeout_s: float) -> bool:
        """Wait for bytes; on a port without a descriptor, set the timeout of the next read."""
        if self._fd is not None:
            return wait_readable(self._fd, timeout_s)
        if not self._port.in_waiting:
            self._port.timeout = max(timeout_s, LEAST_TIMEOUT_S)
        return True


def set_line(instrument: Any, settings: SerialSettings) -> None:
    """Set speed and frame of a serial line that PyVISA opened.

    Raises:
        ConnectionFailed: the line refuses these settings.
    """
    from pyvisa.constants import Parity, StopBits  # noqa: PLC0415 - PyVISA is loaded by now

    parities = {"N": Parity.none, "E": Parity.even, "O": Parity.odd}
    try:
        instrument.baud_rate = settings.baud
        instrument.data_bits = settings.data_bits
        instrument.parity = parities[settings.parity]
        instrument.stop_bits = StopBits.one if settings.stop_bits == 1 else StopBits.two
    except Exception as error:
        raise ConnectionFailed(
            f"the serial line can't be set to {settings}. Check what it can do, or leave speed "
            "and frame out."
        ) from error
