"""The driver against an instrument that none of us wrote: pyvisa-sim's, through PyVISA."""

from decimal import Decimal

import pytest

from benchwatch.bus import open_link
from benchwatch.counter import Setup, TimeBase
from benchwatch.errors import ConnectionFailed, NotACounter, ReplyError
from benchwatch_drivers.scpi import ScpiCounter

DEVICES = """
spec: "1.1"
devices:
  counter:
    eom:
      TCPIP SOCKET: {q: "\\n", r: "\\n"}
      TCPIP INSTR: {q: "\\n", r: "\\n"}
      GPIB INSTR: {q: "\\n", r: "\\n"}
    error: ERROR
    dialogues:
      - {q: "*IDN?", r: "Tide Works,Counter S,0042,2.0"}
      - {q: "READ?", r: "+1.00000000231E+07"}
      - {q: "ROSC:SOUR?", r: "INT"}
      - {q: "INIT:CONT?", r: "0"}
      - {q: "SYST:ERR?", r: '+0,"No error"'}
    properties:
      aperture:
        default: 0.5
        getter: {q: "FREQ:APER?", r: "{:.3E}"}
        setter: {q: "FREQ:APER {:.3f}"}
        specs: {min: 0.001, max: 100, type: float}
  supply:
    eom:
      TCPIP SOCKET: {q: "\\n", r: "\\n"}
    error: ERROR
    dialogues:
      - {q: "*IDN?", r: "Tide Works,Supply S,0043,2.0"}
resources:
  TCPIP0::127.0.0.1::5025::SOCKET: {device: counter}
  TCPIP0::127.0.0.1::inst0::INSTR: {device: counter}
  GPIB0::3::INSTR: {device: counter}
  TCPIP0::127.0.0.2::5025::SOCKET: {device: supply}
"""
COUNTERS = [
    "TCPIP0::127.0.0.1::5025::SOCKET",
    "TCPIP0::127.0.0.1::inst0::INSTR",
    "GPIB0::3::INSTR",
]


@pytest.fixture(scope="module")
def backend(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The name of the backend that holds these instruments."""
    path = tmp_path_factory.mktemp("sim") / "devices.yaml"
    path.write_text(DEVICES)
    return f"{path}@sim"


@pytest.mark.parametrize("resource", COUNTERS)
def test_a_foreign_counter_is_identified_and_read(backend: str, resource: str) -> None:
    """The same driver on three buses of another VISA library than the bundled one."""
    link = open_link(resource, backend=backend)
    counter = ScpiCounter(link)

    identity = counter.identify()
    gate_s, time_base = counter.gate_s(), counter.time_base()
    values = [counter.measure(2.0).value_hz for _ in range(20)]

    link.close()
    assert identity.model == "Counter S"
    assert gate_s == 0.5
    assert time_base == TimeBase("internal")
    assert values == [Decimal("10000000.0231")] * 20


def test_a_gate_is_set_on_a_foreign_counter_and_read_back(backend: str) -> None:
    """What was set is what the instrument then says."""
    link = open_link(COUNTERS[0], backend=backend)
    counter = ScpiCounter(link)
    counter.identify()

    got = counter.configure(Setup(gate_s=0.25))

    link.close()
    assert got == Setup(gate_s=0.25)


def test_an_instrument_that_is_no_counter_is_told_from_one(backend: str) -> None:
    """It says who it is, but answers READ? with the word ERROR."""
    link = open_link("TCPIP0::127.0.0.2::5025::SOCKET", backend=backend)
    counter = ScpiCounter(link)
    counter.identify()

    for _ in range(2):
        with pytest.raises(ReplyError):
            counter.measure(2.0)

    with pytest.raises(NotACounter, match="'ERROR'"):
        counter.measure(2.0)

    link.close()


def test_a_resource_that_is_not_there_is_a_sentence(backend: str) -> None:
    """Some backends only return a status code from open."""
    with pytest.raises(ConnectionFailed, match="nothing of that name is there"):
        open_link("TCPIP0::127.0.0.9::5025::SOCKET", backend=backend)
