"""What a simulated station sends: the relay of a real watch, over a connection that can be cut."""

import errno
import os
import socket
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from benchwatch.clock import Clock
from benchwatch.commands.simulated_stations.simulated_station import MakeSendingPart
from benchwatch.commands.simulated_stations.station_journal import StationJournal
from benchwatch.line_output import json_line
from benchwatch.register import register_path
from benchwatch.relay.broker_address import BrokerAddress
from benchwatch.relay.broker_connection import BrokerConnection
from benchwatch.relay.identity import Identity
from benchwatch.relay.station.station_relay import RelayOptions, StationRelay

_CUT: Final = OSError(errno.ENETUNREACH, os.strerror(errno.ENETUNREACH))


class StationConnection(BrokerConnection):
    """A connection that ends without a word while it is cut, as when a plug is pulled."""

    _is_cut = False

    def set_link(self, *, on: bool) -> None:
        """Cut the connection, or let it be made again."""
        self._is_cut = not on
        if self._is_cut and self._client is not None:
            _shut(self._client.socket())

    def _new_client(self) -> Any:
        if self._is_cut:
            raise _CUT
        client = super()._new_client()
        client.on_socket_open = lambda _client, _user, opened: self._opened(opened)
        return client

    def _opened(self, opened: socket.socket) -> None:
        if self._is_cut:  # it was cut while the connection was made
            _shut(opened)


class StationSending(StationRelay):
    """The relay of a station whose link can be cut, and which may end without a word.

    Args:
        options: where to send, and as whom.
        journal: the station's journal.
        clock: of the station.
    """

    def __init__(self, options: RelayOptions, journal: StationJournal, clock: Clock) -> None:
        super().__init__(
            options,
            journal.path,
            registers=[register_path(journal.path, simulated=kind) for kind in (False, True)],
            own_runs=lambda: journal.own_runs,
            text=json_line,
            clock=clock,
            connect=StationConnection,
        )

    def set_link(self, *, on: bool) -> None:
        """Cut the connection to the broker, or let it be made again."""
        assert isinstance(self._connection, StationConnection)
        self._connection.set_link(on=on)

    def kill(self) -> None:
        """End without a word: the broker finds out by itself."""
        self.set_link(on=False)
        self.stop()


def sending_parts(
    address: BrokerAddress, identities: Path | None, send_within_s: float
) -> MakeSendingPart:
    """Return what makes the sending part of each station.

    Args:
        address: the broker.
        identities: folder with a folder for each station; None: none shows a certificate.
        send_within_s: while all is well, an event is sent so soon after it was written.

    Raises (of the function that is returned):
        FileError: a station has no certificate, or it can't be used.
        UsageError: the library that speaks to brokers is not installed.
    """

    def make(station: str, journal: StationJournal, clock: Clock) -> StationSending:
        identity = None if identities is None else Identity.load(identities / station)
        options = RelayOptions(
            address=address, station=station, identity=identity, send_within_s=send_within_s
        )
        return StationSending(options, journal, clock)

    return make


def _shut(opened: Any) -> None:
    """Shut both ways of a socket, which may be gone."""
    if opened is not None:
        with suppress(OSError):
            opened.shutdown(socket.SHUT_RDWR)
