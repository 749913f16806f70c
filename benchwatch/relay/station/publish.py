"""How what sends hands a message to the broker's connection."""

from typing import Protocol


class Publish(Protocol):
    """Hands a message to the connection, as `BrokerConnection.publish`; returns at once."""

    def __call__(
        self,
        topic: str,
        payload: bytes,
        *,
        qos: int = 0,
        retain: bool = False,
        expiry_s: int | None = None,
    ) -> bool:
        """Return whether it is on its way; False: not connected, or too many wait."""
