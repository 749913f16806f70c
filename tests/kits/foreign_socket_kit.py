"""pyvisa-sim's device behind a TCP socket: its own parser and answers, our bytes only carried.

The library has no server; it plays a device inside a VISA of its own. Here each byte that comes
over the socket is written to that device, and what the device has to say is sent back.
"""

import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from bus_kit import serving
from pyvisa_sim.parser import get_devices


@dataclass
class ForeignSocket:
    """Where the device is, and all that was said."""

    resource: str = ""
    heard: bytearray = field(default_factory=bytearray)
    said: list[str] = field(default_factory=list)

    @property
    def commands(self) -> list[str]:
        """The lines it was sent."""
        return self.heard.decode("ascii").splitlines()


@contextmanager
def foreign_socket(devices: Path, resource: str) -> Iterator[ForeignSocket]:
    """Serve the device that stands at `resource` in the file `devices`, on a free port."""
    device = get_devices(devices, bundled=False)[resource]
    log = ForeignSocket()

    def serve(peer: socket.socket) -> None:
        while data := peer.recv(4096):
            log.heard += data
            for byte in data:
                device.write(bytes([byte]))
                if answer := bytes(_all_of(device)):
                    log.said.append(answer.decode("ascii").strip())
                    peer.sendall(answer)

    with serving(serve) as server:
        log.resource = server.resource
        yield log


def _all_of(device: object) -> Iterator[int]:
    while byte := device.read()[0]:  # type: ignore[attr-defined]
        yield byte[0]
