"""Lines out of messages, on buses that mark where a message ends.

Two things must never happen there: that a reply which broke off is taken for a whole one,
and that its beginning is joined to the next reply. Both are ended with the ASCII character
CAN, "the data before this are in error", which no number and no identity holds.
"""

from typing import Final

CANCEL: Final = b"\x18"


class Framing:
    """Follows the messages of one instrument."""

    def __init__(self) -> None:
        self._open = False
        """A message was begun, and its end has not come."""
        self._ends_lines = False
        """The instrument ends its messages with a line feed; one without it is cut."""

    def begin(self) -> bytes:
        """A new message begins: return what ends the one before, if that never ended."""
        return CANCEL + b"\n" if self._open else b""

    def part(self, data: bytes, *, ended: bool) -> bytes:
        """Return the bytes for the line buffer; `ended` when the bus marked the end."""
        self._open = not ended
        if not ended:
            return data
        if data.endswith(b"\n"):
            self._ends_lines = True
            return data
        return data + (CANCEL if self._ends_lines else b"") + b"\n"
