"""A counter's way out: its faults, and the bench's clock to wait by."""

import threading
from collections.abc import Iterator

from benchwatch.clock import Clock, SystemClock
from benchwatch_simulators.faults import FaultScript, Piece
from benchwatch_simulators.scpi import InstrumentClosed


class Delivery:
    """Turns an answer into the pieces that leave, each when it is due.

    Args:
        faults: of this counter.
        clock: the bench's.
        closing: set when the bench closes; calls off every wait.
    """

    def __init__(
        self,
        faults: FaultScript | None = None,
        clock: Clock | None = None,
        closing: threading.Event | None = None,
    ) -> None:
        self.faults = faults or FaultScript()
        self.closing = closing or threading.Event()
        self._clock = clock or SystemClock()

    def shape(self, answer: str) -> list[Piece]:
        """Return the pieces of an answer line; its terminator is added."""
        return self.faults.shape(answer.encode("latin-1", "replace") + b"\n")

    def pieces(self, answer: str) -> Iterator[Piece]:
        """Yield the pieces, each at the moment at which it leaves.

        Raises:
            InstrumentClosed: the bench was closed meanwhile.
        """
        for piece in self.shape(answer):
            while (left_s := piece.due_s - self.faults.now_s) > 0:
                if self._clock.wait(self.closing, left_s):
                    raise InstrumentClosed
            yield piece
