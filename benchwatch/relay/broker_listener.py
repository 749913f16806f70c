"""Who listens to a broker: what it subscribes to, and what its connection tells it."""

from collections.abc import Callable, Sequence
from typing import Protocol

from benchwatch.relay.broker_address import BrokerAddress
from benchwatch.relay.broker_connection import LONGEST_WAIT_S, BrokerConnection
from benchwatch.relay.identity import Identity


class BrokerListener(Protocol):
    """Its methods are called on the connection's thread, and return at once."""

    @property
    def subscriptions(self) -> Sequence[tuple[str, int]]:
        """Return topics, and the quality of service with which they are heard."""

    def connected(self) -> None:
        """Take that there is a connection, and that its subscriptions are valid."""

    def lost(self, why: str) -> None:
        """Take that there is no connection, and why."""

    def heard(self, topic: str, payload: bytes) -> object:
        """Take a message."""


def connection_for(
    listener: BrokerListener,
    address: BrokerAddress,
    identity: Identity | None = None,
    *,
    client_id: str,
    will: tuple[str, bytes] | None = None,
    longest_wait_s: float = LONGEST_WAIT_S,
    connect: Callable[..., BrokerConnection] = BrokerConnection,
) -> BrokerConnection:
    """Return the connection, not started yet, of a program to its broker.

    Args:
        listener: what it tells.
        address: the broker.
        identity: the certificate of this program; None: none is shown.
        client_id: name of the client.
        will: topic and payload that the broker keeps once this program is gone.
        longest_wait_s: longest wait between two attempts to connect.
        connect: makes the connection, with the arguments of `BrokerConnection`.

    Raises:
        UsageError: the library that speaks to brokers is not installed.
    """
    return connect(
        address,
        identity,
        client_id=client_id,
        on_connected=listener.connected,
        on_message=listener.heard,
        on_lost=listener.lost,
        subscriptions=listener.subscriptions,
        will=will,
        longest_wait_s=longest_wait_s,
    )
