"""A link that passes everything on and notes what was said, by whom, and how long it took."""

from dataclasses import dataclass
from typing import Final

from benchwatch.counter import Link
from benchwatch.errors import BenchwatchError

MOST_EXCHANGES: Final = 2000
"""A counter that is polled quickly says a lot; the first ones tell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedExchange:
    """A question with its answer, a command, or a line that came by itself."""

    topic: str
    """What was being found out: ``identity``, ``gate``, ``reading`` ..."""
    sent: str | None
    """None: nothing was asked."""
    heard: str | None
    """None: no answer."""
    took_s: float = 0.0


class RecordingLink:
    """A `benchwatch.counter.Link` around another one.

    Attributes:
        topic: what the next exchanges are about; whoever examines sets it.
        exchanges: in order.
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
        """As the link says."""
        return self._link.never_duplicates

    @property
    def arrived_s(self) -> float:
        """As the link says."""
        return self._link.arrived_s

    @property
    def unpolled_s(self) -> float:
        """As the link says."""
        return self._link.unpolled_s

    @property
    def fetched_s(self) -> float:
        """As the link says."""
        return self._link.fetched_s

    @property
    def lines_fetched(self) -> int:
        """As the link says."""
        return self._link.lines_fetched

    def now(self) -> float:
        """Monotonic seconds."""
        return self._link.now()

    def use_terminator(self, terminator: str) -> None:
        """Let lines end otherwise, where the link can."""
        self.terminator = terminator
        change = getattr(self._link, "use_terminator", None)
        if change is not None:
            change(terminator)

    def write(self, command: str) -> None:
        """Send a command, and note it."""
        self._note(command, None, self.now())
        self._link.write(command)

    def read(self, timeout_s: float) -> str:
        """Return the next line, and note it as the answer to the command before, if any."""
        asked_s = self.now()
        text = self._link.read(timeout_s)
        last = self.exchanges[-1] if self.exchanges else None
        if last is not None and last.sent is not None and last.heard is None:
            took_s = last.took_s + self.now() - asked_s
            self.exchanges[-1] = RecordedExchange(
                topic=last.topic, sent=last.sent, heard=text, took_s=took_s
            )
        else:
            self._note(None, text, asked_s)
        return text

    def query(self, query: str, timeout_s: float) -> str:
        """Ask, and note question and answer."""
        asked_s = self.now()
        try:
            text = self._link.query(query, timeout_s)
        except BenchwatchError:
            self._note(query, None, asked_s)
            raise
        self._note(query, text, asked_s)
        return text

    def discard_input(self) -> None:
        """Drop whatever is on its way."""
        self._link.discard_input()

    def pause(self, timeout_s: float) -> None:
        """Wait, but not past a stop of the run."""
        self._link.pause(timeout_s)

    def close(self) -> None:
        """Let go of the instrument."""
        self._link.close()

    def about(self, topic: str) -> list[RecordedExchange]:
        """Return the exchanges of one topic."""
        return [exchange for exchange in self.exchanges if exchange.topic == topic]

    def commands(self) -> list[str]:
        """Return what was sent and is no question, each once: it could have set something."""
        sent = [exchange.sent for exchange in self.exchanges if exchange.sent is not None]
        return list(dict.fromkeys(text for text in sent if not text.rstrip().endswith("?")))

    def _note(self, sent: str | None, heard: str | None, asked_s: float) -> None:
        if len(self.exchanges) < MOST_EXCHANGES:
            self.exchanges.append(
                RecordedExchange(
                    topic=self.topic, sent=sent, heard=heard, took_s=self.now() - asked_s
                )
            )
