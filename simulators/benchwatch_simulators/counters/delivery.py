"""Applies a counter's faults to its answers, and times the parts by the bench's clock."""

from collections.abc import Iterator

from benchwatch_simulators.bench_time import BenchTime
from benchwatch_simulators.faults import AnswerPart, FaultScript


class Delivery:
    """Splits an answer into the parts that are sent, each at its time.

    Args:
        faults: faults of this counter; None: there are none.
        time: time of the bench, by which the faults are timed too; None: a time of its own.
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
        """Return the parts of an answer line, with its terminator."""
        return self.faults.shape(answer.encode("latin-1", "replace") + b"\n")

    def parts(self, answer: str) -> Iterator[AnswerPart]:
        """Yield the parts of an answer line, each when it is due.

        Raises:
            InstrumentClosed: the bench was closed meanwhile.
        """
        for part in self.shape(answer):
            self._time.wait_until(part.due_s)
            yield part
