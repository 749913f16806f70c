"""How a counter's answers are sent: shaped by its faults, timed by the bench's clock."""

from collections.abc import Iterator

from benchwatch_simulators.bench_time import BenchTime
from benchwatch_simulators.faults import AnswerPart, FaultScript


class Delivery:
    """Turns an answer into the parts that are sent, each when it is due.

    Args:
        faults: of this counter.
        time: of the bench; the faults must go by it too.
    """

    def __init__(
        self,
        faults: FaultScript | None = None,
        time: BenchTime | None = None,
    ) -> None:
        self.faults = faults or FaultScript()
        self._time = time or BenchTime()
        self.closing = self._time.closing

    def shape(self, answer: str) -> list[AnswerPart]:
        """Return the parts of an answer line; its terminator is added."""
        return self.faults.shape(answer.encode("latin-1", "replace") + b"\n")

    def parts(self, answer: str) -> Iterator[AnswerPart]:
        """Yield the parts, each at the moment at which it is sent.

        Raises:
            InstrumentClosed: the bench was closed meanwhile.
        """
        for part in self.shape(answer):
            self._time.wait_until(part.due_s)
            yield part
