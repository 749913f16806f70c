"""Sends what of a journal is not in the central record yet; for now nothing is sent."""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class ShippingState:
    """How sending stands."""

    connected: bool
    unsent: int | None
    oldest_utc_s: float | None
    why: str
    refused: int


class Shipper:
    """Sends a journal and its registers."""

    def __init__(
        self,
        station: str,
        journal: Path,
        *,
        registers: Sequence[Path],
        own_runs: Callable[[], Collection[int]],
        publish: Callable[..., bool],
    ) -> None:
        self._with = (station, journal, registers, own_runs, publish)
        self.state = ShippingState(False, None, None, "", 0)
        self.notices: list[str] = []

    def start(self) -> None:
        """Begin."""

    def stop(self, within_s: float) -> None:
        """End."""

    def wake(self) -> None:
        """Take that an event was written."""

    def connected(self) -> None:
        """Take that there is a connection."""

    def lost(self, why: str) -> None:
        """Take that there is none."""

    def answered(self, payload: bytes) -> None:
        """Take an answer of the keeper."""

    def keeper_takes(self) -> None:
        """Take that a keeper is there."""
