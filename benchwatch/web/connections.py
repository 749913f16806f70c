"""Connections to the page server: limited in number, and closed if no request comes."""

import asyncio
import contextlib
import socket
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

try:
    import resource
except ImportError:  # not a POSIX system
    resource = None  # type: ignore[assignment] # checked before use

MOST_CONNECTIONS: Final = 48
MOST_OF_ONE_ADDRESS: Final = 24
SHARE_OF_HANDLES: Final = 8
"""Connections use at most one in so many of the process's file handles; counters need them too."""
HEADER_S: Final = 5.0
"""Longest time for the header of a request."""
REQUEST_S: Final = 60.0
"""Longest time that a connection may last unless it is a page."""
RETRY_S: Final = 1.0
WAITING: Final = 128
"""Connections that may wait in the system's queue to be accepted."""


@dataclass(slots=True, eq=False, kw_only=True)
class PageConnection:
    """One accepted connection."""

    transport: asyncio.Transport
    address: str
    asked: bool = False
    """Whether its request has arrived completely."""
    lasting: bool = False
    """Whether the connection is a page."""


class ConnectionAcceptor:
    """Accepts connections; if there are too many, closes the one that has waited longest.

    Args:
        listening: the listening socket.
        make: makes the protocol that answers on a connection.
        trouble: called once, with a sentence, when no connection can be accepted.
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
                await asyncio.sleep(RETRY_S)
                continue
            if self._makes_room(address[0]):
                with contextlib.suppress(OSError):  # closed by the browser meanwhile
                    await self._serve(taken, address[0])
            else:
                taken.close()

    def asked(self, transport: asyncio.BaseTransport | None, *, lasting: bool = False) -> None:
        """Note that a request has arrived completely, or that its connection is now a page."""
        connection = None if transport is None else self._open.get(transport)
        if connection is not None:
            connection.asked = True
            connection.lasting |= lasting

    async def _serve(self, taken: socket.socket, address: str) -> None:
        loop = asyncio.get_running_loop()
        transport, _ = await loop.connect_accepted_socket(self._make, taken)
        connection = PageConnection(transport=transport, address=address)
        self._open[transport] = connection
        loop.call_later(HEADER_S, self._end_unless, connection, "asked")
        loop.call_later(REQUEST_S, self._end_unless, connection, "lasting")

    def _end_unless(self, connection: PageConnection, state: str) -> None:
        if not getattr(connection, state):
            self._end(connection)

    def _end(self, connection: PageConnection) -> None:
        connection.transport.abort()
        self._open.pop(connection.transport, None)

    def _makes_room(self, address: str) -> bool:
        """Close the oldest connection that is not a page, if one more would be too many.

        Returns:
            Whether there is room for a connection from `address`.
        """
        self._open = {key: one for key, one in self._open.items() if not key.is_closing()}
        everybody = [*self._open.values()]
        of_this = [one for one in everybody if one.address == address]
        if len(of_this) >= min(MOST_OF_ONE_ADDRESS, self._most):
            among = of_this
        elif len(everybody) >= self._most:
            among = everybody
        else:
            return True
        # A connection without a request is closed before one that waits for an answer.
        idle = [one for one in among if not one.asked] or [one for one in among if not one.lasting]
        if idle:
            self._end(idle[0])
        return bool(idle)


def most_connections() -> int:
    """Return the most connections allowed, well below the process's limit of file handles."""
    if resource is None:
        return MOST_CONNECTIONS
    granted, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    if granted == resource.RLIM_INFINITY:
        return MOST_CONNECTIONS
    return max(min(MOST_CONNECTIONS, granted // SHARE_OF_HANDLES), 1)


def listening_on(address: str, port: int) -> socket.socket:
    """Open the listening socket.

    Raises:
        OSError: the address can't be used.
    """
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    listening = socket.create_server((address, port), family=family, backlog=WAITING)
    listening.setblocking(False)
    return listening
