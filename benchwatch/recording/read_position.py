"""How far long work such as the reading of a file is, for whoever shows that."""

from dataclasses import dataclass


@dataclass(slots=True)
class ReadPosition:
    """How far a file is read: its reader moves this on, and others only look.

    Both numbers count the same thing: bytes of a file, readings of a journal, numbers of a table.
    """

    done: int = 0
    total: int | None = None
    """None: not known, as of a pipe."""

    def fraction(self) -> float | None:
        """Return the part that is read, 0 to 1; None while it is not known."""
        return min(self.done / self.total, 1.0) if self.total else None
