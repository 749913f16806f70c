"""The driver with a foreign instrument: pyvisa-sim's, through PyVISA."""

from decimal import Decimal

import pytest
from link_kit import open_link
from visa_sim_kit import GPIB, LAN, SETTABLE_GATE, SOCKET, SUPPLY, devices_file

from benchwatch.counter import Setup, TimeBase
from benchwatch.errors import ConnectionFailed, NotACounter, ReplyError
from benchwatch_drivers.scpi.scpi_driver import ScpiCounter

COUNTERS = [SOCKET, LAN, GPIB]


@pytest.fixture(scope="module")
def backend(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Return the name of the backend that holds these instruments."""
    folder = tmp_path_factory.mktemp("sim")
    path = devices_file(folder, [*COUNTERS, SUPPLY], properties=SETTABLE_GATE)
    return f"{path}@sim"


@pytest.mark.parametrize("resource", COUNTERS)
def test_a_foreign_counter_is_identified_and_read(backend: str, resource: str) -> None:
    """On three buses of another VISA library than the bundled one."""
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
    """The gate that was set is the one that the instrument reports."""
    link = open_link(COUNTERS[0], backend=backend)
    counter = ScpiCounter(link)
    counter.identify()

    got = counter.configure(Setup(gate_s=0.25))

    link.close()
    assert got == Setup(gate_s=0.25)


def test_an_instrument_that_is_no_counter_is_recognised(backend: str) -> None:
    """It has an identity, but answers READ? with the word ERROR."""
    link = open_link(SUPPLY, backend=backend)
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
