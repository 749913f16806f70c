"""What is known of a counter besides its readings."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any

from benchwatch.clock import Clock
from benchwatch.counter import Identity, LinkState, LinkStatus, TimeBase


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterStatus:
    """The state of the link, and what the counter said of itself."""

    link: LinkStatus
    identity: Identity | None = None
    time_base: TimeBase = field(default_factory=TimeBase)
    gate_s: float | None = None
    nominal: Decimal | None = None


class StatusPublisher:
    """Keeps the newest `CounterStatus`, and tells whoever wants to know whenever it changes."""

    def __init__(
        self,
        tell: Callable[[CounterStatus], None],
        *,
        clock: Clock,
        origin_s: float,
        nominal: Decimal | None,
    ) -> None:
        self._tell = tell
        self._clock = clock
        self._origin_s = origin_s
        self.connection = CounterStatus(link=self._link("connecting", ""), nominal=nominal)

    def say(self, state: LinkState, detail: str = "", **known: Any) -> None:
        """Tell a state, and what has become `known`; its age counts from when it was entered."""
        before = self.connection
        link = self._link(state, detail)
        if before.link.state == state:
            link = replace(link, since_s=before.link.since_s)
        self.connection = replace(before, link=link, **known)
        self._tell(self.connection)

    def know(self, **known: Any) -> None:
        """Tell what has become `known`; the state stays."""
        self.connection = replace(self.connection, **known)
        self._tell(self.connection)

    def _link(self, state: LinkState, detail: str) -> LinkStatus:
        return LinkStatus(state, self._clock.monotonic() - self._origin_s, detail)
