"""Search for instruments: partial results, nothing unsafe sent, an end within the time limit."""

import threading
import time
from collections.abc import Callable, Sequence

import pytest
from link_kit import open_link
from load_kit import Stalls
from socket_kit import answering, kept_port, serving

from benchwatch.bus.listing import ListedResource, ResourceLister
from benchwatch.discovery import Finder, FoundResource, SearchedPlace, is_identity
from benchwatch.errors import ConnectionFailed
from benchwatch_simulators.fake_bus import CLOSED, FakeLink, Reply, Script

IDENTITY = "MADE FOR A TEST,TINY COUNTER,0,1.0"
NETWORK = "TCPIP0::127.0.0.1::5025::SOCKET"
SERIAL = "ASRL/dev/ttyUSB0::INSTR"


class Bus:
    """Opens scripted links by their resource, and keeps them."""

    def __init__(self, scripts: dict[str, Script | Exception]) -> None:
        self.links: dict[str, FakeLink] = {}
        self._scripts = scripts

    def open_link(self, resource: str, *, cancel: threading.Event) -> FakeLink:
        """Open a link, or fail as scripted."""
        script = self._scripts[resource]
        if isinstance(script, Exception):
            raise script
        self.links[resource] = FakeLink(script, resource=resource, cancel=cancel)
        return self.links[resource]


def a_lister(
    *resources: str, name: str = "a place", first: Callable[[], object] = int
) -> ResourceLister:
    """Return a lister of `resources` that calls `first` before."""

    def look() -> Sequence[ListedResource]:
        first()
        return [ListedResource(resource, "an adapter") for resource in resources]

    return ResourceLister(name, True, look)


def found_by(finder: Finder, *typed: str) -> dict[str, FoundResource]:
    """Run a search to its end; return the instruments by resource, each once."""
    found = [item for item in finder.find(typed) if isinstance(item, FoundResource)]
    assert len({item.resource for item in found}) == len(found)
    return {item.resource: item for item in found}


# ------------------------------------------------------------- results


def test_an_instrument_on_the_network_is_identified_and_its_link_closed():
    """One query gives the identity and the driver, then the link is closed."""
    bus = Bus({NETWORK: {"*IDN?": IDENTITY}})
    found = found_by(Finder(bus.open_link, [a_lister(NETWORK)]))[NETWORK]

    assert (found.identity, found.driver, found.note) == (IDENTITY, "scpi", "")
    assert (found.source, found.about) == ("a place", "an adapter")
    assert bus.links[NETWORK].sent == ["*IDN?"]
    assert bus.links[NETWORK].closed


@pytest.mark.parametrize("resource", [SERIAL, "GPIB0::3::INSTR", "LANGPIB::h::1::5", "gpib::3"])
def test_ports_where_a_query_may_set_something_are_not_opened(resource):
    """A serial port or an older counter is listed, with a remedy."""
    bus = Bus({})
    found = found_by(Finder(bus.open_link, [a_lister(resource)]))[resource]

    assert found.identity is None
    assert "drivers check" in found.note
    assert "--ask" in found.note
    assert bus.links == {}


def test_with_ask_all_every_instrument_is_queried():
    """The operator states that this is safe."""
    bus = Bus({SERIAL: {"*IDN?": IDENTITY}})
    found = found_by(Finder(bus.open_link, [a_lister(SERIAL)], ask_all=True))[SERIAL]

    assert found.identity == IDENTITY


def test_a_serial_port_that_is_typed_is_listened_to_and_nothing_is_sent():
    """A talk-only counter is recognised by its line; the first line may be cut."""
    bus = Bus({SERIAL: {}})
    lines = iter(["00 24 MHz", "10.000 000 24 MHz"])

    def opening(resource: str, *, cancel: threading.Event) -> FakeLink:
        link = bus.open_link(resource, cancel=cancel)
        link.read = lambda _timeout_s: next(lines)  # type: ignore[method-assign]
        return link

    finder = Finder(opening, of_line=lambda line: ["display"] if line.startswith("10.") else [])
    found = found_by(finder, SERIAL)[SERIAL]

    assert (found.driver, found.identity) == ("display", None)
    assert bus.links[SERIAL].sent == []


@pytest.mark.parametrize(
    ("script", "words"),
    [
        ({}, "does not answer *IDN?"),
        ({"*IDN?": CLOSED}, "closed"),
        ({"*IDN?": "+1.00000002E+07"}, "it says '+1.00000002E+07'"),
        ({"*IDN?": "\x1b[31mred\x07"}, "it says '?[31mred?'"),
        (ConnectionFailed("can't open it: nothing listens on that port."), "nothing listens"),
        (RuntimeError("a bare one"), "RuntimeError: a bare one"),
    ],
)
def test_a_faulty_instrument_is_reported_and_hides_no_other(script, words):
    """Mute, closed, no identity, escapes, refused, broken library: a note; the next is found."""
    good = "TCPIP0::127.0.0.1::5026::SOCKET"
    bus = Bus({NETWORK: script, good: {"*IDN?": IDENTITY}})
    found = found_by(Finder(bus.open_link), NETWORK, good)

    assert words in found[NETWORK].note
    assert found[NETWORK].identity is None
    assert found[good].identity == IDENTITY


def test_a_lister_that_fails_is_reported():
    """A lister that raises does not end the others."""

    def broken() -> None:
        raise OSError("no such bus")

    bus = Bus({NETWORK: {"*IDN?": IDENTITY}})
    places = [a_lister(name="broken", first=broken), a_lister(NETWORK)]
    items = list(Finder(bus.open_link, places).find())

    assert SearchedPlace("broken", "OSError: no such bus.") in items
    assert SearchedPlace("a place") in items
    assert any(isinstance(item, FoundResource) and item.identity for item in items)


def test_a_resource_of_two_listers_is_reported_once():
    """A serial port is listed by pySerial and by VISA."""
    bus = Bus({})
    places = [a_lister(SERIAL, name="ports"), a_lister(SERIAL, name="VISA")]
    found = found_by(Finder(bus.open_link, places))

    assert list(found) == [SERIAL]


def test_a_real_socket_is_asked_and_a_refused_port_is_a_sentence():
    """Through PyVISA, on loopback."""
    peer = answering(lambda line: IDENTITY.encode() + b"\n" if line == "*IDN?" else None)
    with serving(peer) as server, kept_port() as port:
        nobody = f"TCPIP0::127.0.0.1::{port}::SOCKET"
        found = found_by(Finder(open_link), server.resource, nobody, "nonsense")

    assert found[server.resource].identity == IDENTITY
    assert "nothing listens" in found[nobody].note
    assert "no resource string" in found["nonsense"].note


# ------------------------------------------------------------- time


def test_quick_results_are_reported_before_slow_ones_are_done():
    """Serial ports do not wait for the network."""
    gone_on = threading.Event()
    bus = Bus({})
    places = [a_lister(NETWORK, name="slow", first=gone_on.wait), a_lister(SERIAL)]
    items = Finder(bus.open_link, places, timeout_s=30.0).find()
    first = next(items)
    gone_on.set()

    assert isinstance(first, FoundResource)
    assert first.resource == SERIAL
    items.close()


def test_a_lister_and_an_instrument_that_hang_are_given_up():
    """After the time limit both are named, and the search ends."""
    never = threading.Event()

    def hanging(resource: str, *, cancel: threading.Event) -> FakeLink:
        never.wait(20)
        raise ConnectionFailed(resource)

    finder = Finder(hanging, [a_lister(name="slow", first=lambda: never.wait(20))], timeout_s=0.3)
    with Stalls() as stalls:
        began_s = time.monotonic()
        items = list(finder.find([NETWORK]))
        took_s = stalls.since(began_s)
    never.set()

    assert took_s < 2.0
    assert [item.resource for item in items if isinstance(item, FoundResource)] == [NETWORK]
    assert "no answer within 0.3 s" in items[0].note
    assert [item.place for item in items if isinstance(item, SearchedPlace)] == ["slow"]
    assert "--timeout" in items[1].trouble


def test_leaving_the_search_early_ends_all_waits():
    """All links that are being opened are cancelled."""
    cancels: list[threading.Event] = []

    def opening(resource: str, *, cancel: threading.Event) -> FakeLink:
        cancels.append(cancel)
        return FakeLink({"*IDN?": Reply(IDENTITY)}, resource=resource, cancel=cancel)

    items = Finder(opening).find([NETWORK])
    next(items)
    items.close()

    assert cancels[0].is_set()


@pytest.mark.parametrize(
    ("text", "is_one"),
    [
        (IDENTITY, True),
        ("Tide Works,Counter S,0042,2.0", True),
        ("Tide Works,Counter S,2.0", True),
        ("F  10.0000024E+06,", False),
        ("10.000 000 24 MHz", False),
        ("+1.0E+07,+1.0E+07,+1.0E+07", False),
        ("", False),
        ("\x1b[2J,a,b,c", False),
    ],
)
def test_an_identity_is_distinguished_from_a_reading(text, is_one):
    """IEEE 488.2 10.14.3: four fields with commas between (from memory)."""
    assert is_identity(text) is is_one
