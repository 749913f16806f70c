"""Serial lines: the guarded session over pseudo-terminals.

PyVISA-py alone returns the old reply after a timeout, and the tail of a cut line, and raises
SerialException when the line goes (measured with PyVISA-py 0.8.1 and pySerial 3.5).
"""

import os
import time
import tty

import pytest
from link_kit import linked, miss_a_reading, open_link, sessions_left_by
from load_kit import LONGEST_WAIT_S, Stalls, wait_until
from simulated_kit import IDENTITY

from benchwatch.bus.resource_string import SerialSettings, parse_address
from benchwatch.bus.serial_line import SerialWire, set_line
from benchwatch.errors import ConnectionFailed, LinkLost, ReplyError, ReplyTimeout, UsageError
from benchwatch_simulators.bench.simulated_bench import open_bench


@pytest.fixture
def bench():
    """Serve a counter on a serial line."""
    with open_bench("serial", seed=1) as bench:
        yield bench


@pytest.fixture
def link(bench):
    """Open a guarded session to it."""
    with linked(bench) as link:
        yield link


@pytest.fixture
def bare():
    """Open a pseudo-terminal: (the instrument's end, the resource string of the other end)."""
    master, slave = os.openpty()
    tty.setraw(slave)
    yield master, f"ASRL{os.ttyname(slave)}::INSTR"
    os.close(master)
    os.close(slave)


def test_queries_are_answered(link):
    """On the bus's own wire, not on the slow one for any backend."""
    assert type(link._wire) is SerialWire
    assert link.query("*IDN?", LONGEST_WAIT_S) == IDENTITY
    assert float(link.query("READ?", LONGEST_WAIT_S)) == pytest.approx(10_000_000.37, abs=0.05)


def test_a_late_reply_is_never_the_answer_to_the_next_query(link):
    """It is dropped when it came before the query."""
    link.write("FREQ:APER 0.5")
    miss_a_reading(link)
    assert wait_until(link._wire.has_input)

    assert link.query("*IDN?", LONGEST_WAIT_S) == IDENTITY


@pytest.mark.parametrize("kind", ["cut", "garbage", "huge", "doubled"])
def test_after_a_bad_answer_the_link_synchronises(bench, link, kind):
    """The next query but one gets its own answer at the latest, and the next one no wrong one.

    A second copy is there before the next query, and dropped; one that comes after it looks like
    its answer, and a driver recognises it.
    """
    link.query("*IDN?", LONGEST_WAIT_S)
    bench.fault("main", kind)
    answers = []
    for question in ("INP:COUP?", "*OPC?", "*IDN?"):
        try:
            answers.append(link.query(question, 1.0))
        except (ReplyTimeout, ReplyError):
            answers.append(None)
        if kind == "doubled" and question == "INP:COUP?":
            assert wait_until(lambda: link._lines or link._wire.has_input())

    assert answers[1] in {"1", None}
    assert answers[2] == IDENTITY


def test_a_pulled_line_is_seen_at_once(bench, link):
    """During a wait, without spinning."""
    link.query("*IDN?", LONGEST_WAIT_S)
    link.write("FREQ:APER 10;:READ?")
    with pytest.raises(ReplyTimeout):
        link.read(0.2)
    bench.hang_up("main")
    with Stalls() as stalls:
        began = time.monotonic()
        with pytest.raises(LinkLost, match=r"unplugged|closed") as caught:
            link.read(5.0)
        took_s = stalls.since(began)

    assert took_s < 0.1
    assert not isinstance(caught.value, ReplyTimeout)


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n", b"\n\r"])
def test_any_line_end_is_accepted(bare, end):
    """Old counters use each of them; commands are sent with CR LF."""
    master, resource = bare
    link = open_link(resource)
    link.write("T")
    sent = os.read(master, 100)
    os.write(master, b"1.5" + end + b"2.5" + end)
    lines = [link.read(LONGEST_WAIT_S), link.read(LONGEST_WAIT_S)]
    link.close()

    assert sent == b"T\r\n"
    assert lines == ["1.5", "2.5"]


def test_the_tail_of_a_cut_line_is_no_line(bare):
    """It would parse as a wrong number."""
    master, resource = bare
    link = open_link(resource)
    os.write(master, b"10000")
    assert wait_until(link._wire.has_input)
    with pytest.raises(ReplyTimeout):
        link.read(0.05)
    os.write(master, b"000.5\r\n10000000.7\r\n")
    line = link.read(LONGEST_WAIT_S)
    link.close()

    assert line == "10000000.7"


def test_a_second_program_is_refused(bare):
    """Two programs on one line would take each other's answers."""
    _, resource = bare
    link = open_link(resource)
    with pytest.raises(ConnectionFailed, match="another program has it open"):
        open_link(resource)
    link.close()

    open_link(resource).close()


def test_speed_and_frame_are_set(bare):
    """They are in the resource string, after a comma."""
    _, resource = bare
    link = open_link(resource.replace("::INSTR", ",19200,8N2::INSTR"))
    port = link._wire._port
    settings = (port.baudrate, port.bytesize, port.parity, port.stopbits)
    link.close()

    assert settings == (19200, 8, "N", 2)


def test_a_frame_the_line_can_not_do_is_a_sentence(bare):
    """PyVISA raises any error of the system's calls, here a given one."""

    class Stubborn:
        def __setattr__(self, name: str, value: object) -> None:
            raise OSError(22, "Invalid argument")

    with pytest.raises(ConnectionFailed, match="can't be set to 300,7E1"):
        set_line(Stubborn(), SerialSettings(baud=300, data_bits=7, parity="E", stop_bits=1))


@pytest.mark.parametrize(
    ("resource", "settings"),
    [
        ("ASRL/dev/ttyUSB0::INSTR", None),
        ("ASRL/dev/ttyUSB0,1200::INSTR", SerialSettings(baud=1200)),
        (
            "asrl/dev/ttyUSB0,9600,8N2",
            SerialSettings(baud=9600, data_bits=8, parity="N", stop_bits=2),
        ),
    ],
)
def test_addresses(resource, settings):
    """With and without settings, which the VISA library does not get."""
    address = parse_address(resource)

    assert address.serial == settings
    assert "," not in address.visa
    assert address.kind == ("ASRL", "INSTR")


@pytest.mark.parametrize("settings", ["fast", "9600,9N1", "9600,8N1,x", "0", "", "9600,8X1"])
def test_bad_settings_are_a_sentence(settings):
    """With an example."""
    with pytest.raises(UsageError, match="ASRL/dev/ttyUSB0,19200,7E1::INSTR"):
        parse_address(f"ASRL/dev/ttyUSB0,{settings}::INSTR")


def test_an_absent_line_is_a_sentence():
    """Unplugged, or misspelt."""
    with pytest.raises(ConnectionFailed, match="no such device"):
        open_link("ASRL/dev/no-such-line::INSTR")


def test_reopening_leaves_nothing_behind(bench):
    """No VISA session, no file handle."""
    assert sessions_left_by(bench) == 0
