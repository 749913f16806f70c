"""How long to wait for a reading, when to open a link again, and when to give up."""

from typing import Final

from benchwatch.plan import OVERDUE_MARGIN_S, margin_s

UNKNOWN_GATE_TIMEOUT_S: Final = 30.0
"""Timeout for a counter that does not report its gate, until its pace is known."""
BACKOFF_S: Final = (1.0, 1.0, 1.0, 2.0, 3.0, 5.0, 8.0, 13.0, 20.0, 30.0)
"""Waits before the first, second ... next try; the last one stays."""
TRIES_WITHOUT_READING: Final = 5
"""After so many tries without a reading a run that is not persistent ends, and in another one the
counter is taken as not there yet."""


class RetryPolicy:
    """Counts failed tries, and learns the pace of a counter that does not report its gate.

    Args:
        margin_s: added to the gate before a reading is overdue, or a tenth of the gate if longer.
        persistent: never give up.
    """

    def __init__(self, *, margin_s: float = OVERDUE_MARGIN_S, persistent: bool = False) -> None:
        self.persistent = persistent
        self.tries = 0
        """Failed tries since the start or the last new reading."""
        self.has_read = False
        self._margin_s = margin_s
        self._pace_s: float | None = None
        self._is_paced = False
        """True when the pace is the time between two readings; the first one's wait counts from the
        opening of the link, and may be longer."""

    @property
    def gives_nothing(self) -> bool:
        """True when the counter has never given a reading, in too many tries."""
        return not self.has_read and self.tries >= TRIES_WITHOUT_READING

    @property
    def backoff_s(self) -> float:
        """Wait before the next connection, seconds; 0 when nothing has failed."""
        return BACKOFF_S[min(self.tries, len(BACKOFF_S)) - 1] if self.tries else 0.0

    def timeout_s(self, gate_s: float | None) -> float:
        """Return how long a reading may take, in seconds; three times the pace without a gate."""
        if gate_s is not None:
            return gate_s + margin_s(gate_s, self._margin_s)
        if self._pace_s is None:
            return UNKNOWN_GATE_TIMEOUT_S
        return 3 * self._pace_s + self._margin_s

    def failed(self) -> None:
        """Count a try that gave no reading."""
        self.tries += 1

    def succeeded(self, since_last_s: float) -> None:
        """Note a new reading, `since_last_s` seconds after the one before, or after the opening."""
        if self.tries == 0:
            paced_s = self._pace_s if self._is_paced else None
            self._pace_s = max(paced_s or 0.0, since_last_s)
            self._is_paced = self.has_read
        self.tries = 0
        self.has_read = True
