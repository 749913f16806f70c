"""Collects the events of an acquisition, and holds the answers of a well-behaved counter."""

from decimal import Decimal
from typing import TYPE_CHECKING

from benchwatch.acquire import CounterStatus
from benchwatch.reading import Gap, Mark, Reading

if TYPE_CHECKING:
    from collections.abc import Callable

TEN_MHZ = Decimal(10_000_000)
COUNTER = {
    "*IDN?": "Tide Works,Counter A,0017,1.2",
    "*ESE?": "0",
    "FREQ:APER?": "+1.00000000E+000",
    "ROSC:SOUR?": "EXT",
    "INIT:CONT?": "0",
    "SYST:ERR?": '0,"No error"',
}
"""Answers of a well-behaved counter to all queries but those of readings; invented makers."""


class EventRecorder:
    """Collects the events of an acquisition, and stops it after enough readings."""

    def __init__(self, enough: int) -> None:
        self.events: list[Reading | Gap | Mark] = []
        self.connections: list[CounterStatus] = []
        self.stop: Callable[[], None] = lambda: None
        self._enough = enough

    @property
    def readings(self) -> list[Reading]:
        """The readings among the events."""
        return [event for event in self.events if isinstance(event, Reading)]

    @property
    def gaps(self) -> list[Gap]:
        """The gaps among the events."""
        return [event for event in self.events if isinstance(event, Gap)]

    @property
    def marks(self) -> list[Mark]:
        """The marks among the events."""
        return [event for event in self.events if isinstance(event, Mark)]

    @property
    def states(self) -> list[str]:
        """Link states in the order in which they were entered."""
        states: list[str] = []
        for connection in self.connections:
            if not states or states[-1] != connection.link.state:
                states.append(connection.link.state)
        return states

    def take(self, event: Reading | Gap | Mark) -> None:
        """Record an event; stop after enough readings."""
        self.events.append(event)
        if len(self.readings) >= self._enough:
            self.stop()

    def on_status(self, connection: CounterStatus) -> None:
        """Record a status."""
        self.connections.append(connection)
