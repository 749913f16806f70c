"""A port is taken by one program alone, on each system by its own option."""

import socket

import pytest

from benchwatch.system.listening import take_port_alone

EXCLUSIVE = -5
"""SO_EXCLUSIVEADDRUSE of Windows: the complement of SO_REUSEADDR, 4 (winsock2.h, from memory)."""


class MadeSocket:
    """Keeps the options that are set."""

    def __init__(self) -> None:
        self.options: list[tuple[int, ...]] = []

    def setsockopt(self, *option: int) -> None:
        """Keep an option."""
        self.options.append(option)


def test_a_second_program_is_refused_the_port() -> None:
    """While one socket listens, another can't take its port; after the end it can at once."""
    first, second, third = socket.socket(), socket.socket(), socket.socket()
    for one in (first, second, third):
        take_port_alone(one)
    first.bind(("127.0.0.1", 0))
    first.listen()
    port = first.getsockname()[1]
    client = socket.create_connection(("127.0.0.1", port))
    first.accept()[0].close()

    with second, pytest.raises(OSError):
        second.bind(("127.0.0.1", port))
    client.close()
    first.close()
    with third:
        third.bind(("127.0.0.1", port))


def test_windows_has_an_option_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """There the usual option would share the port with anybody."""
    monkeypatch.setattr(socket, "SO_EXCLUSIVEADDRUSE", EXCLUSIVE, raising=False)
    windows, elsewhere = MadeSocket(), MadeSocket()

    take_port_alone(windows, "nt")  # type: ignore[arg-type] # stands in for a socket
    take_port_alone(elsewhere, "posix")  # type: ignore[arg-type] # likewise

    assert windows.options == [(socket.SOL_SOCKET, EXCLUSIVE, 1)]
    assert elsewhere.options == [(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)]
