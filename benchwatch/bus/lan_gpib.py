"""One counter on a GPIB behind a network controller: ``LANGPIB::HOST::PORT::ADDRESS``."""

from collections.abc import Callable
from contextlib import suppress
from typing import Final

from benchwatch.bus.framing import Framing, one_line_end
from benchwatch.bus.lan_gpib_controller import Controller, Controllers
from benchwatch.bus.resource_string import Address
from benchwatch.bus.wire import Wire
from benchwatch.errors import LinkLost
from benchwatch.system.clocks import monotonic


class LanGpibWire:
    """The counter at one GPIB address.

    Args:
        address: host and port of the controller, and the counter's GPIB address.
        controllers: the open controllers, shared by all links.
        open_wire: opens a raw socket to the controller.

    Raises:
        ConnectionFailed: no such controller answers at that host and port.
    """

    message_based: Final = True
    honours_timeout: Final = False
    never_duplicates: Final = False

    def __init__(
        self, address: Address, controllers: Controllers, open_wire: Callable[[], Wire]
    ) -> None:
        assert address.port is not None
        assert address.gpib is not None
        self._key = (address.host, address.port)
        self._address = address.gpib
        self._resource = address.resource
        self._controllers = controllers
        self._controller: Controller = controllers.get(self._key, open_wire)
        self._framing = Framing()
        self._ended = True
        self._awaits_answer = False
        self._used = False
        self._closed = False

    @property
    def resource(self) -> str:
        """The resource string."""
        return self._resource

    def receive(self, timeout_s: float) -> bytes:
        """Address the counter to talk for up to `timeout_s`; return its bytes, or b''."""
        deadline = monotonic() + timeout_s
        while True:
            self._check()
            self._used = True
            left_s = max(deadline - monotonic(), 0.0)
            data = self._controller.read(self._address, left_s)
            if data or monotonic() >= deadline:
                break
        data, self._ended = one_line_end(data, after_end=self._ended)
        if not data:
            return b""
        cut_mark = self._framing.begin() if self._awaits_answer else b""
        self._awaits_answer = False
        return cut_mark + self._framing.part(data, ended=data.endswith(b"\n"))

    def has_input(self) -> bool:
        """True when bytes of this counter were read on behalf of another one."""
        return self._controller.has_kept(self._address)

    def send(self, data: bytes) -> None:
        """Send `data`."""
        self._check()
        self._used = self._awaits_answer = True
        self._controller.send(self._address, data)

    def close(self) -> None:
        """Return the front panel to local, if the link still works, and release the controller."""
        if self._closed:
            return
        self._closed = True
        if self._used and not self._controller.broken:
            with suppress(LinkLost):  # a counter that can't be reached stays in remote
                self._controller.command(self._address, b"++loc")
        self._controllers.release(self._key, self._controller)

    def _check(self) -> None:
        if self._controller.broken:
            raise LinkLost(
                f"the controller closed the connection. Check power and cable of {self._resource}."
            )
