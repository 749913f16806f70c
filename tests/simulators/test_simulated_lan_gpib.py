"""The simulated LAN-GPIB controller, over a plain socket.

Its behaviour is what manuals of such controllers have in common (from memory): ``++`` lines for
itself, all other lines for the addressed instrument, escapes with ESC.
"""

import socket

import pytest
from load_kit import LONGEST_WAIT_S

from benchwatch_simulators.bench.simulated_bench import open_bench
from benchwatch_simulators.servers.gpib_controller import CONTROLLER_VERSION, CommandLines


@pytest.fixture
def bench():
    """Serve two counters behind one controller: SCPI at 5, terse at 7."""
    with open_bench("lan-gpib", seed=1) as bench:
        yield bench


@pytest.fixture
def client(bench):
    """Connect to the controller."""
    port = int(bench.resources["ten"].split("::")[2])
    with socket.create_connection(("127.0.0.1", port), timeout=LONGEST_WAIT_S) as client:
        yield client


def ask(client, text):
    """Send lines, return the next line."""
    client.sendall(text.encode("latin-1") + b"\n")
    answer = b""
    while not answer.endswith(b"\n"):
        answer += client.recv(1)
    return answer.decode().strip()


def test_both_counters_share_a_port(bench):
    """One controller, two addresses."""
    ten, five = (bench.resources[name].split("::") for name in ("ten", "five"))

    assert ten[:3] == five[:3]
    assert (ten[3], five[3]) == ("5", "7")


def test_the_controller_answers_its_own_commands(client):
    """Version, address and settings."""
    assert ask(client, "++ver") == CONTROLLER_VERSION
    assert ask(client, "++addr 5\n++addr") == "5"
    assert ask(client, "++read_tmo_ms 100\n++read_tmo_ms") == "100"
    assert ask(client, "++nonsense") == "Unrecognized command"


def test_an_instrument_talks_only_when_it_is_read(client, bench):
    """An answer waits in the instrument until ++read; a read without one gives nothing."""
    client.sendall(b"++addr 5\n++read_tmo_ms 50\n*IDN?\n++ver\n")
    first = ask(client, "++read eoi")

    assert first == CONTROLLER_VERSION
    assert ask(client, "") == "SIMULATED,BENCH COUNTER,0,1.0"
    assert ask(client, "++read eoi\n++ver") == CONTROLLER_VERSION
    assert ask(client, "SYST:ERR?\n++read eoi").startswith("-420")


def test_a_terse_counter_takes_a_reading_when_it_is_addressed_to_talk(client):
    """Without a query, during its gate."""
    client.sendall(b"++addr 7\n++read_tmo_ms 1000\nG0\n")
    reading = ask(client, "++read eoi")

    assert reading.startswith("F ")
    assert reading.endswith("E+06")
    assert float(reading[1:]) == pytest.approx(4_999_999.89, abs=0.05)


def test_serial_poll_and_local(client, bench):
    """MAV shows that an answer waits (IEEE 488.2 11.2); ++loc sets the front panel local."""
    client.sendall(b"++addr 5\n*OPC?\n")
    while not int(ask(client, "++spoll")) & 16:
        pass
    ask(client, "++read eoi")
    remote = bench.is_remote("ten")
    ask(client, "++loc\n++ver")

    assert remote
    assert not bench.is_remote("ten")


def test_an_address_without_an_instrument(client):
    """Bytes sent there are lost, and nothing can be read."""
    assert ask(client, "++addr 9\n*IDN?\n++read eoi\n++ver") == CONTROLLER_VERSION


def test_escapes_are_removed():
    """ESC before ESC, CR, LF and plus makes them data."""
    sent = b"++addr 5\r\nA\x1b\nB\x1b\x1b\x1b+\x1b+C\n\x1b+\x1b+ver\n"
    lines = CommandLines()
    whole = [line for byte in sent for line in lines.split(bytes((byte,)))]

    assert whole == [(True, "++addr 5"), (False, "A\nB\x1b++C"), (False, "++ver")]
