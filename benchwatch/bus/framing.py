"""Turns messages into lines, on buses that mark where a message ends.

A reply that broke off must never pass for a whole one, nor be joined to the next reply. Such a
reply is ended with the ASCII character CAN, "the data before this are in error", which no number
and no identity contains.
"""

import re
from typing import Final

CANCEL: Final = b"\x18"
_LINE_ENDS: Final = re.compile(rb"[\r\n]+")


class Framing:
    """Tracks the messages of one instrument."""

    def __init__(self) -> None:
        self._open = False
        """True while the end of a message is still to come."""
        self._ends_lines = False
        """True when the instrument ends its messages with a line feed: one without it is cut."""

    def begin(self) -> bytes:
        """Begin a message; return bytes that mark the one before as cut, b'' where it had ended."""
        return CANCEL + b"\n" if self._open else b""

    def part(self, data: bytes, *, ended: bool) -> bytes:
        """Return the bytes for the line buffer; `ended`: the bus marked the end of the message."""
        self._open = not ended
        if not ended:
            return data
        if data.endswith(b"\n"):
            self._ends_lines = True
            return data
        return data + (CANCEL if self._ends_lines else b"") + b"\n"


def one_line_end(data: bytes, *, after_end: bool) -> tuple[bytes, bool]:
    """Turn CR, LF and CR LF into one LF each, also when they come in pieces.

    An empty line is no reply, so several ends in a row count as one. Old counters end their lines
    in any of these ways.

    Args:
        data: the bytes as received.
        after_end: True when the bytes before `data` ended a line.

    Returns:
        The bytes for the line buffer, and whether they ended a line.
    """
    if not data:
        return b"", after_end
    lines = _LINE_ENDS.sub(b"\n", data)
    return lines.removeprefix(b"\n") if after_end else lines, data[-1:] in b"\r\n"
