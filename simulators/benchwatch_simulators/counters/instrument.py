"""The interface of a counter to its server: commands, and the bus functions of IEEE 488.1."""

from collections import deque
from typing import Protocol, runtime_checkable

from benchwatch_simulators.counters.edge_counter import Counting

KEPT_MESSAGES = 1000
"""Newest messages that a counter keeps in `Instrument.received`."""


class CommandExecutor(Protocol):
    """An object that executes command lines and may answer them."""

    def execute(self, message: str) -> str | None:
        """Execute one line; return the answer line, or None if there is none."""

    def overrun(self) -> None:
        """Record that a line was dropped because it was too long."""


class Instrument(CommandExecutor, Protocol):
    """A counter with its front panel and its bus functions (IEEE 488.1, from memory)."""

    received: deque[str]
    """The newest messages received."""
    remote: bool
    """True while the front panel is locked to the bus."""

    @property
    def counting(self) -> Counting:
        """The counting circuit, with the signals that are plugged in."""

    @property
    def status_byte(self) -> int:
        """The status byte, as a serial poll reads it."""

    def talk(self) -> str | None:
        """Return what it sends when it is addressed to talk without a query; None: nothing."""

    def interrupted(self) -> None:
        """Record that a newer message arrived before the response was read, which was dropped."""

    def clear(self) -> None:
        """Execute a device clear."""

    def group_trigger(self) -> None:
        """Execute a group execute trigger."""

    def go_local(self) -> None:
        """Unlock the front panel."""

    def power_cycle(self) -> None:
        """Restore the settings of power-on, as after a power cut."""


MAV = 16
"""Bit of the status byte: a message is available (IEEE 488.2 11.2)."""


def status_byte(instrument: Instrument, *, response_waits: bool) -> int:
    """Return the instrument's status byte with `MAV` set if the bus holds a response."""
    return instrument.status_byte & ~MAV | (MAV if response_waits else 0)


@runtime_checkable
class Talker(Protocol):
    """A counter that sends lines without commands."""

    def next_line(self, after: int) -> tuple[int, str]:
        """Wait for the first line after number `after`; return its number and text.

        Raises:
            InstrumentClosed: the bench was closed meanwhile.
        """

    @property
    def newest(self) -> int:
        """Number of the newest line that is complete."""
