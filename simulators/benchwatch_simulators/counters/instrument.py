"""A counter as the servers see it: its commands, and the bus functions of IEEE 488.1."""

from collections import deque
from typing import Protocol, runtime_checkable

from benchwatch_simulators.counters.edge_counter import Counting


class CommandExecutor(Protocol):
    """Executes command lines; some have an answer."""

    def execute(self, message: str) -> str | None:
        """Execute one line; return the answer line or None."""

    def overrun(self) -> None:
        """Note that a line longer than any buffer was dropped."""


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
        """Return the answer to being addressed to talk without a query; None: there is none."""

    def interrupted(self) -> None:
        """Note that a response was dropped unread, because a newer message came."""

    def clear(self) -> None:
        """Obey a device clear."""

    def group_trigger(self) -> None:
        """Obey a group execute trigger."""

    def go_local(self) -> None:
        """Give the front panel back."""

    def power_cycle(self) -> None:
        """Restore all settings to those of power-on, as after a power cut."""


MAV = 16
"""Bit of the status byte: a message is available (IEEE 488.2 11.2)."""


def status_byte(instrument: Instrument, *, response_waits: bool) -> int:
    """Return its status byte with the bit for a waiting response, whose state the bus holds."""
    return instrument.status_byte & ~MAV | (MAV if response_waits else 0)


@runtime_checkable
class Talker(Protocol):
    """A counter that talks without being asked."""

    def next_line(self, after: int) -> tuple[int, str]:
        """Wait for the first line after number `after`; return its number and text."""

    @property
    def newest(self) -> int:
        """Number of the newest line that is over."""
