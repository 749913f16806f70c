"""Instruments that none of us wrote: pyvisa-sim's, described as its library wants it."""

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

SOCKET = "TCPIP0::127.0.0.1::5025::SOCKET"
LAN = "TCPIP0::127.0.0.1::inst0::INSTR"
GPIB = "GPIB0::3::INSTR"
USB = "USB0::0x1234::0x5678::0042::0::INSTR"
SERIAL = "ASRL1::INSTR"
SUPPLY = "TCPIP0::127.0.0.2::5025::SOCKET"
"""Where no counter is, but an instrument all the same."""

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
    """Write a file of instruments; ``FILE@sim`` is then a VISA library that has them.

    Args:
        folder: where `devices.yaml` goes.
        resources: where the counter stands; at `SUPPLY` stands another instrument.
        answers: what it answers beside the usual questions, or otherwise.
        properties: what can be set.
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
    path = folder / "devices.yaml"  # whatever is JSON is YAML too (YAML 1.2, section 1.3)
    path.write_text(json.dumps({"spec": "1.1", "devices": devices, "resources": stands}))
    return path


def _device(answers: dict[str, str]) -> dict[str, Any]:
    kinds = ("TCPIP SOCKET", "TCPIP INSTR", "GPIB INSTR", "USB INSTR", "ASRL INSTR")
    return {
        "eom": {kind: {"q": "\n", "r": "\n"} for kind in kinds},
        "error": "ERROR",
        "dialogues": [{"q": question, "r": answer} for question, answer in answers.items()],
    }
