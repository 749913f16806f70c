"""A PyVISA-py that is built differently from 0.8.1, made by renaming its private parts.

No such version exists yet. The made ones are 0.8.1 with one change each, so these tests show what
happens when a part is gone, not that a real later version works.
"""

from collections.abc import Callable
from typing import Any

import pytest
import pyvisa
from link_kit import open_link
from pyvisa_py.protocols import vxi11
from pyvisa_py.sessions import Session

from benchwatch.bus.listing import listers
from benchwatch.errors import ConnectionFailed
from benchwatch.system.installation import install_words
from benchwatch_simulators.bench.simulated_bench import open_bench


def keep_elsewhere(session: Any) -> Callable[[], None]:
    """Keep the connection under another name; return what undoes it."""
    session.connection, session.interface = session.interface, None

    def undo() -> None:
        session.interface = session.connection

    return undo


def without_count(session: Any) -> Callable[[], None]:
    """Let the HiSLIP client count the rest of a message in another way; return what undoes it."""
    client = session.interface
    del client._payload_remaining
    return lambda: setattr(client, "_payload_remaining", 0)


def read_by_record(session: Any) -> Callable[[], None]:
    """Let the VXI-11 client read by one record of arguments; return what undoes it."""
    client = session.interface
    client.device_read = lambda request: request
    return lambda: delattr(client, "device_read")


CHANGES: list[tuple[str, Callable[[Any], Callable[[], None]]]] = [
    ("station", keep_elsewhere),
    ("hislip", keep_elsewhere),
    ("hislip", without_count),
    ("vxi11", keep_elsewhere),
    ("vxi11", read_by_record),
    ("serial", keep_elsewhere),
]


@pytest.mark.parametrize(("bench_name", "change"), CHANGES)
def test_an_unknown_session_is_refused_with_what_to_install(
    bench_name: str, change: Callable[[Any], Callable[[], None]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is never read through PyVISA-py's own read, which would lose bytes."""
    usual_open = pyvisa.ResourceManager.open_resource

    def changed_open(manager: Any, *arguments: Any, **named: Any) -> Any:
        instrument = usual_open(manager, *arguments, **named)
        session = manager.visalib.sessions[instrument.session]
        undo, usual_close = change(session), session.close

        def close() -> Any:  # a real later version closes what it opened
            undo()
            return usual_close()

        session.close = close
        return instrument

    with open_bench(bench_name, seed=1) as bench:
        resource = next(iter(bench.resources.values()))
        monkeypatch.setattr(pyvisa.ResourceManager, "open_resource", changed_open)

        with pytest.raises(ConnectionFailed) as caught:
            open_link(resource)

    assert "keeps its connection in a way that Benchwatch does not know" in str(caught.value)
    assert install_words("pyvisa-py==0.8.1") in str(caught.value)


def renamed_classes() -> Any:
    """Give the classes in another form than 0.8.1."""
    return iter([{"interface": "tcpip", "class": object}])


@pytest.mark.parametrize("classes", [None, renamed_classes])
def test_listing_goes_on_without_the_private_list(
    classes: Callable[[], Any] | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All buses are then listed together, by the public way."""
    monkeypatch.setattr(Session, "iter_valid_session_classes", classes)

    found = listers()

    assert [(lister.name, lister.is_local) for lister in found] == [
        ("serial ports", True),
        ("VISA", False),
    ]


def test_the_private_methods_are_as_they_are_called() -> None:
    """In the installed version: otherwise every VXI-11 link is refused."""
    assert vxi11.CoreClient.device_read.__code__.co_argcount == 7
    assert vxi11.CoreClient.device_local.__code__.co_argcount == 5
