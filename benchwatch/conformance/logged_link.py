"""A link around another one that records each query with its answer and how long that took."""

from dataclasses import dataclass
from typing import Final

from benchwatch.counter import Link
from benchwatch.errors import BenchwatchError

MOST_EXCHANGES: Final = 2000
"""A counter that is polled quickly has many; the first ones are enough."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedExchange:
    """A query with its answer, a command, or a line that came without a query."""

    topic: str
    """What was being examined: ``identity``, ``gate``, ``reading`` ..."""
    sent: str | None
    """None: nothing was sent."""
    received: str | None
    """None: no answer."""
    took_s: float = 0.0


class LoggedLink:
    """A `benchwatch.counter.Link` around another one.

    Attributes:
        topic: what the next exchanges are about; set by the examination.
        exchanges: in order, the first ones only.
        terminator: what ends a line.
    """

    def __init__(self, link: Link) -> None:
        self.topic = ""
        self.exchanges: list[RecordedExchange] = []
        self.terminator = "\n"
        self._link = link

    @property
    def resource(self) -> str:
        """The resource string."""
        return self._link.resource

    @property
    def never_duplicates(self) -> bool:
        """As of the link."""
        return self._link.never_duplicates

    @property
    def arrived_s(self) -> float:
        """As of the link."""
        return self._link.arrived_s

    @property
    def unpolled_s(self) -> float:
        """As of the link."""
        return self._link.unpolled_s

    @property
    def fetched_s(self) -> float:
        """As of the link."""
        return self._link.fetched_s

    @property
    def lines_fetched(self) -> int:
        """As of the link."""
        return self._link.lines_fetched

    def now(self) -> float:
        """Monotonic seconds."""
        return self._link.now()

    def use_terminator(self, terminator: str) -> None:
        """Record the terminator, and set it on the link."""
        self.terminator = terminator
        self._link.use_terminator(terminator)

    def write(self, command: str) -> None:
        """Send a command, and record it."""
        self._record(command, None, self.now())
        self._link.write(command)

    def read(self, timeout_s: float) -> str:
        """Return the next line, and record it as the answer to the command before, if any."""
        asked_s = self.now()
        text = self._link.read(timeout_s)
        last = self.exchanges[-1] if self.exchanges else None
        if last is not None and last.sent is not None and last.received is None:
            took_s = last.took_s + self.now() - asked_s
            self.exchanges[-1] = RecordedExchange(
                topic=last.topic, sent=last.sent, received=text, took_s=took_s
            )
        else:
            self._record(None, text, asked_s)
        return text

    def query(self, query: str, timeout_s: float) -> str:
        """Send a query, and record it with its answer."""
        asked_s = self.now()
        try:
            text = self._link.query(query, timeout_s)
        except BenchwatchError:
            self._record(query, None, asked_s)
            raise
        self._record(query, text, asked_s)
        return text

    def discard_input(self) -> None:
        """Drop all input."""
        self._link.discard_input()

    def pause(self, timeout_s: float) -> None:
        """Wait for `timeout_s`, or until the run is stopped."""
        self._link.pause(timeout_s)

    def close(self) -> None:
        """Close the link."""
        self._link.close()

    def about(self, topic: str) -> list[RecordedExchange]:
        """Return the exchanges of one topic."""
        return [exchange for exchange in self.exchanges if exchange.topic == topic]

    def commands(self) -> list[str]:
        """Return the lines sent that are no queries, each once: they could have set something."""
        sent = [exchange.sent for exchange in self.exchanges if exchange.sent is not None]
        return list(dict.fromkeys(text for text in sent if not text.rstrip().endswith("?")))

    def _record(self, sent: str | None, received: str | None, asked_s: float) -> None:
        if len(self.exchanges) < MOST_EXCHANGES:
            self.exchanges.append(
                RecordedExchange(
                    topic=self.topic, sent=sent, received=received, took_s=self.now() - asked_s
                )
            )
