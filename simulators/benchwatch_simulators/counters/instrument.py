"""What a transport needs of whatever it puts on a bus."""

from collections import deque
from typing import Protocol, runtime_checkable

from benchwatch_simulators.counters.edge_counter import Counting


class CommandExecutor(Protocol):
    """Something that takes lines and may answer each."""

    def execute(self, message: str) -> str | None:
        """Execute one line; return the answer line or None."""

    def overrun(self) -> None:
        """A line was longer than any buffer and has been dropped."""


class Instrument(CommandExecutor, Protocol):
    """A counter with its front panel and its bus functions (IEEE 488.1, from memory)."""

    received: deque[str]
    """The newest messages."""
    remote: bool
    """True while the front panel is locked to the bus."""

    @property
    def counting(self) -> Counting:
        """What is plugged in."""

    @property
    def status_byte(self) -> int:
        """What a serial poll reads."""

    def talk(self) -> str | None:
        """Answer to being addressed to talk though nothing was asked; None: nothing to say."""

    def interrupted(self) -> None:
        """A response was dropped unread, because a newer message came."""

    def clear(self) -> None:
        """Device clear."""

    def group_trigger(self) -> None:
        """The trigger of the bus."""

    def go_local(self) -> None:
        """Give the front panel back."""

    def power_cycle(self) -> None:
        """Power fails and comes back: all settings are those of power-on."""


MAV = 16
"""Bit of the status byte: a message is available (IEEE 488.2 11.2)."""


def status_byte(instrument: Instrument, *, response_waits: bool) -> int:
    """Return its status byte with the bit for a response that waits, which the bus knows."""
    return instrument.status_byte & ~MAV | (MAV if response_waits else 0)


@runtime_checkable
class Talker(Protocol):
    """A counter that talks without being asked."""

    def next_line(self, after: int) -> tuple[int, str]:
        """Wait for the first line after number `after`; return its number and text."""

    @property
    def newest(self) -> int:
        """Number of the newest line that is over."""
