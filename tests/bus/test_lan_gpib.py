"""Counters behind a LAN-GPIB controller share one socket in turn; nothing is read twice."""

import socket
import threading
import time

import pytest
from link_kit import after_a_bad_answer, after_late_replies, hung_up_soon, linked, open_link
from load_kit import LONGEST_WAIT_S, Stalls, wait_until
from simulated_kit import IDENTITY
from socket_kit import answering, serving

from benchwatch.bus.fair_lock import FairLock
from benchwatch.bus.resource_string import parse_address
from benchwatch.errors import ConnectionFailed, LinkLost, ReplyTimeout, UsageError
from benchwatch_simulators.bench.simulated_bench import open_bench


@pytest.fixture
def bench():
    """Serve two counters behind one controller: SCPI at 5, terse at 7."""
    with open_bench("lan-gpib", seed=1) as bench:
        yield bench


@pytest.fixture
def ten(bench):
    """Open a guarded session to the SCPI counter."""
    with linked(bench, "ten") as link:
        yield link


@pytest.fixture
def five(bench):
    """Open a guarded session to the terse counter."""
    with linked(bench, "five") as link:
        yield link


def test_queries_are_answered(ten):
    """Short queries and a gate; the error queue stays empty, as nothing is read too often."""
    assert ten.query("*IDN?", LONGEST_WAIT_S) == IDENTITY
    assert float(ten.query("READ?", LONGEST_WAIT_S)) == pytest.approx(10_000_000.37, abs=0.05)
    assert ten.query("SYST:ERR?", LONGEST_WAIT_S) == '0,"No error"'


def test_a_counter_that_talks_when_addressed_takes_one_reading_a_wait(five, bench):
    """Its gate of half a second is waited for in slices; no reading is lost or doubled."""
    with Stalls() as stalls:
        began = time.monotonic()
        readings = [five.read(LONGEST_WAIT_S) for _ in range(3)]
        took_s, took_at_least_s = stalls.since(began), time.monotonic() - began

    assert all(reading.startswith("F ") for reading in readings)
    assert took_at_least_s > 1.4
    assert took_s < 2.2
    assert bench.received("five") == []


def test_two_counters_at_once_get_their_own_answers(bench, ten, five):
    """Each on a thread of its own, over one connection."""
    wrong: list[str] = []
    times: list[float] = []

    def query() -> None:
        link = open_link(bench.resources["ten"])
        for _ in range(40):
            began = time.monotonic()
            reply = link.query("*IDN?", LONGEST_WAIT_S)
            times.append(stalls.since(began))
            if reply != IDENTITY:
                wrong.append(reply)
        link.close()

    with Stalls() as stalls:
        other = threading.Thread(target=query)
        other.start()
        readings = [five.read(LONGEST_WAIT_S) for _ in range(3)]
        other.join()

    assert wrong == []
    assert all(float(reading[1:]) == pytest.approx(5e6, abs=1) for reading in readings)
    assert max(times) < 0.5


def test_a_late_reply_is_never_the_answer_to_the_next_query(ten):
    """A newer query makes the instrument drop it (IEEE 488.2 6.3.2.3)."""
    assert after_late_replies(ten) == ("1", IDENTITY)


@pytest.mark.parametrize("kind", ["cut", "garbage", "huge", "doubled"])
def test_after_a_bad_answer_the_next_is_right(bench, ten, kind):
    """The rest of a bad answer is not joined to the next one."""
    answer, then = after_a_bad_answer(bench, ten, kind, "ten")

    assert answer != "AC" or kind == "doubled"
    assert then == ["1", IDENTITY]


def test_a_controller_that_goes_is_seen_at_once_by_all_its_counters(bench, ten, five):
    """The next open makes a new connection."""
    ten.query("*IDN?", LONGEST_WAIT_S)
    ten.write("FREQ:APER 10;:READ?")
    closed = hung_up_soon(bench, "ten")
    with Stalls() as stalls:
        with pytest.raises(LinkLost, match="closed the connection") as caught:
            ten.read(10.0)
        seen_s = stalls.since(closed[0])
    with pytest.raises(LinkLost, match="closed the connection"):
        five.read(1.0)

    assert seen_s < 0.1
    assert not isinstance(caught.value, ReplyTimeout)
    again = open_link(bench.resources["five"])
    assert again.read(LONGEST_WAIT_S).startswith("F ")
    again.close()


def test_the_front_panel_returns_to_local(bench):
    """That of the counter whose link is closed, and of no other."""
    first, second = (open_link(bench.resources[name]) for name in ("ten", "five"))
    first.query("*IDN?", LONGEST_WAIT_S)
    second.write("F")
    assert wait_until(lambda: bench.is_remote("five"))
    first.close()

    assert wait_until(lambda: not bench.is_remote("ten"))
    assert bench.is_remote("five")
    second.close()


def test_data_that_look_like_a_command_are_escaped(bench, ten):
    """Pluses, and all else that a controller would interpret."""
    ten.write("++addr 9")

    assert ten.query("SYST:ERR?", LONGEST_WAIT_S).startswith("-1")
    assert bench.received("ten")[0] == "++addr 9"


def test_a_line_without_eoi_is_returned_at_once():
    """Some old instruments do not assert EOI: then the line end counts.

    The controller here is scripted: it goes on reading for 0.4 s after the line.
    """
    ends: list[float] = []

    def serve(peer: socket.socket) -> None:
        with peer.makefile("rb") as lines:
            for line in lines:
                if line == b"++read eoi\n":
                    peer.sendall(b"F  10.0000024E+06\r\n")
                    time.sleep(0.4)
                    ends.append(time.monotonic())
                elif line == b"++ver\n":
                    peer.sendall(b"A CONTROLLER\r\n")

    with serving(serve) as server:
        link = open_link(f"LANGPIB::127.0.0.1::{server.port}::3")
        line = link.read(LONGEST_WAIT_S)
        heard_s = time.monotonic()
        link.close()

    assert line == "F  10.0000024E+06"
    assert heard_s < ends[0] - 0.2


def test_a_peer_that_is_no_controller_gives_a_sentence():
    """Another instrument on that port answers something else, or nothing."""
    with serving(answering(lambda _: None)) as server:
        with pytest.raises(ConnectionFailed, match="as a LAN-GPIB controller does"):
            open_link(f"LANGPIB::127.0.0.1::{server.port}::3")

        assert server.connections == 1


@pytest.mark.parametrize(
    ("resource", "gpib"),
    [
        ("LANGPIB::192.168.1.30::1234::5", 5),
        ("langpib0::gateway.example::1234::30::instr", 30),
        ("LANGPIB::h-1_x::1::0::INSTR", 0),
    ],
)
def test_addresses(resource, gpib):
    """Host, port, GPIB address; the class may be left out."""
    address = parse_address(resource)

    assert (address.gpib, address.interface) == (gpib, "LANGPIB")


@pytest.mark.parametrize(
    "resource",
    [
        "LANGPIB::192.168.1.30::1234",
        "LANGPIB::192.168.1.30::1234::31",
        "LANGPIB::::1234::3",
        "LANGPIB::a b::1234::3",
        "LANGPIB::h::0::3",
        "LANGPIB::h::port::3",
        "LANGPIB::h::1234::3::SOCKET",
        "LANGPIB::\x1b[31m::1234::3",
    ],
)
def test_bad_addresses_are_a_sentence(resource):
    """With an example, and without control characters."""
    with pytest.raises(UsageError) as caught:
        parse_address(resource)

    assert str(caught.value).isprintable()
    assert "::" in str(caught.value)


def test_the_lock_is_given_in_the_order_of_requests():
    """A thread that requests it again at once does not overtake a waiting one."""
    turns, order = FairLock(), []
    ready = threading.Barrier(3)

    def take(name: str) -> None:
        ready.wait()
        for _ in range(20):
            with turns:
                order.append(name)
                time.sleep(0.001)

    threads = [threading.Thread(target=take, args=(name,)) for name in "abc"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert all(set(order[n : n + 3]) == set("abc") for n in range(3, 50, 3))
