"""How sending stands at one moment."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class ShippingState:
    """How sending stands at one moment."""

    connected: bool = False
    unsent: int | None = None
    """Events and entries of this station that the central record does not have; None: unknown."""
    oldest_utc_s: float | None = None
    """When the first reading was taken that it does not have, Unix seconds."""
    why: str = ""
    """Why nothing is sent, without full stop; empty: nothing holds it up."""
    refused: int = 0
    """Runs and chains that were refused, or can't be sent."""
    taken: int = 0
    """Batches of runs that were answered as committed, also of events that the record had."""
