"""Assembles lines from the bytes of a wire; only lines received from their beginning count."""

from typing import Final

from benchwatch.errors import ReplyError
from benchwatch.quantity import printable

LONGEST_LINE: Final = 4096
"""Bytes; more without a terminator are no reply, and must not fill the memory."""


class LineBuffer:
    """The bytes of one link that are not read yet.

    Args:
        resource: the resource string, for error messages.

    Attributes:
        is_cut: The beginning of the line under way was dropped. Its rest is dropped too, as it
            could parse as a number.
    """

    def __init__(self, resource: str) -> None:
        self.is_cut = False
        self._resource = resource
        self._bytes = bytearray()
        self._ends: tuple[bytes, ...] = (b"\n",)

    def __len__(self) -> int:
        """Return the number of bytes."""
        return len(self._bytes)

    def use_ends(self, ends: tuple[bytes, ...]) -> None:
        """End lines with any of these bytes.

        With more than one, empty lines do not count: some buses turn CR LF into two line ends.
        """
        self._ends = ends

    def add(self, data: bytes) -> None:
        """Append received bytes."""
        self._bytes += data

    def count_ends(self) -> int:
        """Return the number of line ends."""
        return sum(map(self._bytes.count, self._ends))

    def drop(self, received: bytes = b"") -> None:
        """Drop all bytes, and those `received` after them; a line under way is cut."""
        dropped = received or self._bytes
        if dropped:
            self.is_cut = not dropped.endswith(self._ends)
        self._bytes.clear()

    def next_line(self) -> str | None:
        """Remove the first whole line and return it; None when there is none.

        Raises:
            ReplyError: the line is longer than any reply.
        """
        if not self._bytes:
            return None
        while (end := self._first_end()) >= 0:
            line = bytes(self._bytes[:end])
            del self._bytes[: end + 1]
            if not line and len(self._ends) > 1:
                continue
            if self.is_cut:
                self.is_cut = False
                continue
            if len(line) > LONGEST_LINE:
                raise self._too_long()
            # latin-1 gives every byte a character: garbage becomes a line that no parser accepts
            return line.rstrip(b"\r").decode("latin-1")
        if self.is_cut:
            self._bytes.clear()
        elif len(self._bytes) > LONGEST_LINE:
            self.drop()
            raise self._too_long()
        return None

    def _first_end(self) -> int:
        """Return the index at which the first line ends; -1 when none does."""
        first = self._bytes.find(self._ends[0])
        if len(self._ends) == 1:
            return first
        other = self._bytes.find(self._ends[1])
        return max(first, other) if min(first, other) < 0 else min(first, other)

    def _too_long(self) -> ReplyError:
        return ReplyError(
            f"a reply of more than {LONGEST_LINE} bytes is no reading. "
            f"Does {printable(self._resource)} send something else than lines of text?"
        )
