"""The status of one counter: link, identity, time base, gate and nominal."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any

from benchwatch.clock import Clock
from benchwatch.counter import Identity, LinkState, LinkStatus, TimeBase
from benchwatch.errors import BenchwatchError
from benchwatch.plan import StatedByStation


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterStatus:
    """State of the link, and what the counter reported about itself."""

    link: LinkStatus
    identity: Identity | None = None
    time_base: TimeBase = field(default_factory=TimeBase)
    gate_s: float | None = None
    nominal: Decimal | None = None
    """Hertz."""
    absent: BenchwatchError | None = None
    """Why the counter is not there yet: nothing could be read of it so far, and it is tried again.
    """
    stated: StatedByStation | None = None
    """What the station of a counter elsewhere states beside; None: nothing, or a counter here."""
    unsent: int | None = None
    """Events of its station that are not in the central record yet, where these are so many, or for
    so long, that a person should know; else None."""
    every_s: float = 0.0
    """Of a counter elsewhere: least seconds between two readings that are asked for; 0: each is."""


class StatusPublisher:
    """Holds the newest `CounterStatus`, and passes each new one to a callback.

    Args:
        on_status: the callback.
        clock: the clock of the run.
        origin_s: monotonic zero of the run.
        nominal: in hertz, where it is known from the start.
    """

    def __init__(
        self,
        on_status: Callable[[CounterStatus], None],
        *,
        clock: Clock,
        origin_s: float,
        nominal: Decimal | None,
    ) -> None:
        self._on_status = on_status
        self._clock = clock
        self._origin_s = origin_s
        self.status = CounterStatus(link=self._link("connecting", ""), nominal=nominal)

    def set_state(
        self,
        state: LinkState,
        detail: str = "",
        *,
        next_try_in_s: float | None = None,
        **fields: Any,
    ) -> None:
        """Publish a state of the link, and new values of other fields.

        The age of a state counts from when it was first entered. A lost link is tried again
        `next_try_in_s` seconds from now; None: it is not.
        """
        before = self.status
        link = self._link(state, detail)
        if next_try_in_s is not None:
            link = replace(link, next_try_s=link.since_s + next_try_in_s)
        if before.link.state == state:
            link = replace(link, since_s=before.link.since_s)
        self.status = replace(before, link=link, **fields)
        self._on_status(self.status)

    def update(self, **fields: Any) -> None:
        """Publish new values of fields; the state of the link stays."""
        self.status = replace(self.status, **fields)
        self._on_status(self.status)

    def _link(self, state: LinkState, detail: str) -> LinkStatus:
        return LinkStatus(state, self._clock.monotonic() - self._origin_s, detail)
