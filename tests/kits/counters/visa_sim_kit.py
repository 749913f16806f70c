"""Instruments that share no code with the product: those of pyvisa-sim, in its own file format.

The library simulates a device inside a VISA of its own. `foreign_socket` serves that device on a
TCP socket: each byte received is written to the device, and the device's answers are sent back.
"""

import json
import socket
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pyvisa_sim.parser import get_devices
from socket_kit import serving

SOCKET = "TCPIP0::127.0.0.1::5025::SOCKET"
LAN = "TCPIP0::127.0.0.1::inst0::INSTR"
GPIB = "GPIB0::3::INSTR"
USB = "USB0::0x1234::0x5678::0042::0::INSTR"
SERIAL = "ASRL1::INSTR"
SUPPLY = "TCPIP0::127.0.0.2::5025::SOCKET"
"""Resource of an instrument that is no counter."""

SETTABLE_GATE = {
    "aperture": {
        "default": 0.5,
        "getter": {"q": "FREQ:APER?", "r": "{:.3E}"},
        "setter": {"q": "FREQ:APER {:.3f}"},
        "specs": {"min": 0.001, "max": 100, "type": "float"},
    }
}


def devices_file(
    folder: Path,
    resources: Iterable[str],
    answers: dict[str, str] | None = None,
    properties: dict[str, Any] | None = None,
) -> Path:
    """Write a file of instruments and return its path; ``PATH@sim`` is a VISA library with them.

    Args:
        folder: where `devices.yaml` is written.
        resources: resources of the instruments: a counter each, but a supply at `SUPPLY`.
        answers: the counter's answers to further queries, or in place of the usual ones.
        properties: settings of the counter, as the library describes them.
    """
    counter = {
        "*IDN?": "Tide Works,Counter S,0042,2.0",
        "READ?": "+1.00000000231E+07",
        "ROSC:SOUR?": "INT",
        "INIT:CONT?": "0",
        "SYST:ERR?": '+0,"No error"',
        **(answers or {}),
    }
    devices = {
        "counter": {**_device(counter), "properties": properties or {}},
        "supply": _device({"*IDN?": "Tide Works,Supply S,0043,2.0"}),
    }
    stands = {
        resource: {"device": "supply" if resource == SUPPLY else "counter"}
        for resource in resources
    }
    path = folder / "devices.yaml"  # any JSON text is YAML too (YAML 1.2, section 1.3)
    path.write_text(json.dumps({"spec": "1.1", "devices": devices, "resources": stands}))
    return path


def _device(answers: dict[str, str]) -> dict[str, Any]:
    kinds = ("TCPIP SOCKET", "TCPIP INSTR", "GPIB INSTR", "USB INSTR", "ASRL INSTR")
    return {
        "eom": {kind: {"q": "\n", "r": "\n"} for kind in kinds},
        "error": "ERROR",
        "dialogues": [{"q": question, "r": answer} for question, answer in answers.items()],
    }


@dataclass
class ForeignSocket:
    """Resource of the served device, and all bytes that it received and sent."""

    resource: str = ""
    received: bytearray = field(default_factory=bytearray)
    sent: list[str] = field(default_factory=list)

    @property
    def commands(self) -> list[str]:
        """The lines that it received."""
        return self.received.decode("ascii").splitlines()


@contextmanager
def foreign_socket(devices: Path, resource: str) -> Iterator[ForeignSocket]:
    """Serve the device that has `resource` in the file `devices`, on a free port."""
    device = get_devices(devices, bundled=False)[resource]
    log = ForeignSocket()

    def serve(peer: socket.socket) -> None:
        while data := peer.recv(4096):
            log.received += data
            for byte in data:
                device.write(bytes([byte]))
                if answer := bytes(_all_of(device)):
                    log.sent.append(answer.decode("ascii").strip())
                    peer.sendall(answer)

    with serving(serve) as server:
        log.resource = server.resource
        yield log


def _all_of(device: object) -> Iterator[int]:
    while byte := device.read()[0]:  # type: ignore[attr-defined]
        yield byte[0]
