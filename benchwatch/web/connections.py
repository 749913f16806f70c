"""Connections to the page server: limited in number, and closed if no request comes."""

import asyncio
import contextlib
import socket
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from benchwatch.system.processes import most_open_files

MOST_CONNECTIONS: Final = 48
"""Most connections of all clients."""
MOST_OF_ONE_ADDRESS: Final = 24
"""Most connections from one address."""
HANDLES_PER_CONNECTION: Final = 8
"""Connections use at most one of so many file handles of the process; counters need them too."""
HEADER_S: Final = 5.0
"""Longest time for the header of a request."""
REQUEST_S: Final = 60.0
"""Longest time that a connection may last unless it is a page."""
ACCEPT_RETRY_S: Final = 1.0
"""Pause after a connection could not be accepted."""
ACCEPT_QUEUE: Final = 128
"""Most connections that wait in the system's queue to be accepted."""


@dataclass(slots=True, eq=False, kw_only=True)
class PageConnection:
    """One accepted connection."""

    transport: asyncio.Transport
    address: str
    """Address of the client."""
    asked: bool = False
    """Whether a request has arrived completely."""
    lasting: bool = False
    """Whether the connection is a page."""


class ConnectionAcceptor:
    """Accepts connections; if there are too many, closes the oldest one that is not a page.

    Args:
        listening: the listening socket.
        make: creates the protocol that answers on a connection.
        trouble: called with a sentence, the first time that no connection can be accepted.
    """

    def __init__(
        self,
        listening: socket.socket,
        make: Callable[[], asyncio.Protocol],
        trouble: Callable[[str], None],
    ) -> None:
        self._listening, self._make, self._trouble = listening, make, trouble
        self._open: dict[asyncio.BaseTransport, PageConnection] = {}
        self._most = most_connections()
        self._reported = False

    async def taking(self) -> None:
        """Accept connections until cancelled."""
        loop = asyncio.get_running_loop()
        while True:
            try:
                taken, address = await loop.sock_accept(self._listening)
            except OSError as error:
                if not self._reported:
                    self._reported = True
                    self._trouble(
                        f"no more pages can be opened for now: {error.strerror}. Those that are "
                        "open and the counters go on; close other programs, or some pages."
                    )
                await asyncio.sleep(ACCEPT_RETRY_S)
                continue
            if self._admit(address[0]):
                with contextlib.suppress(OSError):  # closed by the browser meanwhile
                    await self._serve(taken, address[0])
            else:
                taken.close()

    def asked(self, transport: asyncio.BaseTransport | None, *, lasting: bool = False) -> None:
        """Record that a request has arrived completely; `lasting`: its connection is now a page."""
        connection = None if transport is None else self._open.get(transport)
        if connection is not None:
            connection.asked = True
            connection.lasting |= lasting

    async def _serve(self, taken: socket.socket, address: str) -> None:
        """Serve an accepted connection, and schedule its time limits."""
        loop = asyncio.get_running_loop()
        transport, _ = await loop.connect_accepted_socket(self._make, taken)
        connection = PageConnection(transport=transport, address=address)
        self._open[transport] = connection
        loop.call_later(HEADER_S, self._end_unless, connection, "asked")
        loop.call_later(REQUEST_S, self._end_unless, connection, "lasting")

    def _end_unless(self, connection: PageConnection, state: str) -> None:
        """Close the connection unless its attribute `state` is True."""
        if not getattr(connection, state):
            self._end(connection)

    def _end(self, connection: PageConnection) -> None:
        connection.transport.abort()
        self._open.pop(connection.transport, None)

    def _admit(self, address: str) -> bool:
        """Return whether one more connection from `address` is allowed.

        If it would be one too many, the oldest connection that is not a page is closed for it.
        """
        self._open = {key: one for key, one in self._open.items() if not key.is_closing()}
        all_open = [*self._open.values()]
        of_this = [one for one in all_open if one.address == address]
        if len(of_this) >= min(MOST_OF_ONE_ADDRESS, self._most):
            among = of_this
        elif len(all_open) >= self._most:
            among = all_open
        else:
            return True
        # A connection without a request is closed before one that waits for an answer.
        idle = [one for one in among if not one.asked] or [one for one in among if not one.lasting]
        if idle:
            self._end(idle[0])
        return bool(idle)


def most_connections() -> int:
    """Return the most connections allowed, far below the process's limit of file handles."""
    granted = most_open_files()
    if granted is None:
        return MOST_CONNECTIONS
    return max(min(MOST_CONNECTIONS, granted // HANDLES_PER_CONNECTION), 1)


def listening_on(address: str, port: int) -> socket.socket:
    """Return a listening socket that does not block.

    Raises:
        OSError: the address can't be used.
    """
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    listening = socket.create_server((address, port), family=family, backlog=ACCEPT_QUEUE)
    listening.setblocking(False)
    return listening
