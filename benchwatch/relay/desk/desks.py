"""The desks of a process: one connection to each broker, for all counters that come from there."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from benchwatch.clock import Clock, SystemClock
from benchwatch.errors import BenchwatchError, UsageError
from benchwatch.quantity import printable
from benchwatch.relay.broker_address import BrokerAddress, parse_elsewhere
from benchwatch.relay.desk.broker_desk import BrokerDesk, Connect, Connection
from benchwatch.relay.desk.known_counters import (
    MOST_COUNTERS,
    KnownCounter,
    find_counters,
    known_counter,
)
from benchwatch.relay.desk.look_requests import line_every_s
from benchwatch.relay.desk.relayed_acquisition import RelayedAcquisition

if TYPE_CHECKING:
    from benchwatch.relay.broker_listener import BrokerListener
    from benchwatch.relay.identity import Identity


def is_elsewhere(resource: str) -> bool:
    """Return whether a resource is that of counters elsewhere."""
    return resource.strip().upper().startswith("MQTT::")


class Desks:
    """Finds counters elsewhere, and makes their acquisitions.

    Args:
        identity: the certificate of this desk; None: only brokers on this computer.
        connect: makes connections; None: by `BrokerConnection`. Tests replace it.
        clock: the clock of the desks.
        has_identity: whether resources are read as with a certificate.
    """

    def __init__(
        self,
        identity: "Identity | None" = None,
        *,
        connect: Connect | None = None,
        clock: Clock | None = None,
        has_identity: bool = False,
    ) -> None:
        self._has_identity = has_identity or identity is not None
        self._connect = connect or _connect_as(identity)
        self._clock = clock or SystemClock()
        self._desks: dict[BrokerAddress, BrokerDesk] = {}
        self.counters = 0
        """How many counters elsewhere are watched; of many, not each line is asked for."""

    def parse(self, resource: str) -> tuple[BrokerAddress, str | None, str | None]:
        """Return broker, station (None: all) and counter (None: all) of a resource.

        Raises:
            UsageError: it is no such resource, or its connection would be plain text.
        """
        written = resource.strip()
        return parse_elsewhere(f"MQTT{written[4:]}", has_identity=self._has_identity)

    def find(self, address: BrokerAddress, station: str | None) -> list[KnownCounter]:
        """Return the counters that a broker knows; raises as `find_counters`."""
        return find_counters(address, station, connect=self._connect, clock=self._clock)

    def acquisition(self, resource: str, **counter: Any) -> RelayedAcquisition:
        """Make the acquisition of one counter.

        Args:
            resource: it names station and counter.
            counter: further arguments of `RelayedAcquisition`.

        Raises:
            UsageError: it names no single counter.
        """
        address, station, name = self.parse(resource)
        if station is None or name is None:
            raise UsageError(
                f"'{printable(resource, 100)}' names no single counter: write "
                "MQTT::HOST::PORT::STATION::COUNTER."
            )
        return RelayedAcquisition(
            station=station, counter=name, desk=self._desk(address), **counter
        )

    def follow(
        self,
        address: BrokerAddress,
        station: str | None,
        met: Callable[[KnownCounter], None],
        say: Callable[[str], None],
    ) -> None:
        """Hear of counters that a broker comes to know; before the acquisitions are started.

        Args:
            address: the broker.
            station: of this station only; None: of all.
            met: called with each on the thread of the desk; it makes and starts the acquisition,
                or raises a `BenchwatchError` that says why it doesn't.
            say: takes a sentence for the person, where the first, the tenth, the hundredth counter
                of a station does not join, and where the first is one too many.
        """
        refused: set[tuple[str, str]] = set()
        too_many: list[str] = []

        def take(station: str, counter: str, payload: bytes) -> None:
            known = known_counter(station, counter, payload)
            if known is None or (station, counter) in refused:
                return
            if self.counters >= MOST_COUNTERS:
                if not too_many:
                    too_many.append(
                        f"the broker {address} knows more than the {MOST_COUNTERS} counters that "
                        "one watch shows: those that come now are not watched. Name stations, "
                        "MQTT::HOST::PORT::STATION."
                    )
                    say(too_many[0])
                return
            if len(refused) >= MOST_COUNTERS:
                return
            try:
                met(known)
            except BenchwatchError as error:
                refused.add((station, counter))
                count = sum(of == station for of, _ in refused)
                if count == 10 ** (len(str(count)) - 1):
                    before = f" (nor were {count - 1} before)" if count > 1 else ""
                    say(f"a further counter of {station} is not watched{before}: {error}")
                return
            self.counters += 1
            for desk in self._desks.values():
                desk.ask_every(line_every_s(self.counters))

        self._desk(address).follow(station, take)

    def _desk(self, address: BrokerAddress) -> BrokerDesk:
        """Return the desk of a broker."""
        if address not in self._desks:
            self._desks[address] = BrokerDesk(
                address,
                connect=self._connect,
                clock=self._clock,
                every_s=line_every_s(self.counters),
            )
        return self._desks[address]


def _connect_as(identity: "Identity | None") -> Connect:
    """Return what makes connections to brokers in the name of `identity`."""

    def connect(
        listener: "BrokerListener", address: BrokerAddress, *, client_id: str
    ) -> Connection:
        from benchwatch.relay.broker_listener import (  # noqa: PLC0415 - loads the library of MQTT
            connection_for,
        )

        return connection_for(listener, address, identity, client_id=client_id)

    return connect
