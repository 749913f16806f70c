"""A link without an instrument, for tests of drivers and acquisition.

`FakeLink` is a `benchwatch.counter.Link` that answers from a script of replies and faults. Its
clock advances only in waits, so there is no thread and no sleep.
"""

import math
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from benchwatch.errors import ConnectionFailed, LinkLost, ReplyError, ReplyTimeout
from benchwatch_simulators.bench_time import LeapClock

LONGEST_LINE_CHARS: Final = 4096


@dataclass(frozen=True, slots=True)
class Reply:
    """The answer to one command, and its faults."""

    text: str | None = None
    """None: no answer (mute, or an unknown query)."""
    after_s: float = 0.0
    """Seconds from the command to the answer."""
    times: int = 1
    """2: the answer comes twice."""
    apart_s: float = 0.0
    """Seconds between the two."""
    cut: bool = False
    """The line breaks off before its terminator; the next answer is lost with it."""
    closes: bool = False
    """The peer closes the connection instead of answering."""
    effect: Callable[[], None] | None = None
    """Called when the command arrives, for example to switch another instrument on."""


MUTE: Final = Reply()
CLOSED: Final = Reply(closes=True)
GARBAGE: Final = Reply(text="\xff\xfe\x00\x9b31m\x1b]0;title\x07")
HUGE: Final = Reply(text="9" * (LONGEST_LINE_CHARS + 1))

Answer = str | Reply
Script = Mapping[str, Answer | Sequence[Answer] | Callable[[], Answer]]
"""Command -> answer; of a list, one answer after another, and the last one from then on."""


class FakeLink:
    """A scripted instrument behind a faultless `Link`.

    Args:
        script: answer to each command.
        clock: None: a new one.
        resource: resource string.
        cancel: ends every wait when set; None: nothing does.

    Attributes:
        sent: Every command line, in order.
        clock: The clock that waits advance.
        terminator: Line ending that the driver expects.
        arrived_s: When the newest line arrived; a line that had waited: when it was read.
        unpolled_s: How long the link had not been polled when the newest line was found.
        fetched_s: When the newest line was found; all lines that had arrived are found together.
        lines_fetched: How many lines were found then.
    """

    def __init__(
        self,
        script: Script,
        clock: LeapClock | None = None,
        resource: str = "TCPIP0::127.0.0.1::5025::SOCKET",
        cancel: threading.Event | None = None,
    ) -> None:
        self.sent: list[str] = []
        self.clock = clock or LeapClock()
        self.closed = False
        self.terminator = "\n"
        self._script = script
        self._turn: dict[str, int] = {}
        self._resource = resource
        self._cancel = cancel or threading.Event()
        self._coming: deque[tuple[float, str]] = deque()
        self._cut = False
        self._gone = False
        self._polled_s = self.arrived_s = self.clock.monotonic()
        self.fetched_s = -math.inf
        self.lines_fetched = 1
        self.unpolled_s = self._fetched_unpolled_s = 0.0

    @property
    def resource(self) -> str:
        """The resource string."""
        return self._resource

    @property
    def never_duplicates(self) -> bool:
        """False, as of every instrument."""
        return False

    def now(self) -> float:
        """Monotonic seconds of the clock."""
        return self.clock.monotonic()

    def use_terminator(self, terminator: str) -> None:
        """Store the line ending; scripted lines need none."""
        self.terminator = terminator

    def write(self, command: str) -> None:
        """Log `command`, and schedule the script's answer."""
        self._check()
        self.sent.append(command)
        self._polled_s = self.now()
        answer = self._answer(command)
        reply = answer if isinstance(answer, Reply) else Reply(text=answer)
        if reply.effect is not None:
            reply.effect()
        if reply.closes:
            self._gone = True
        elif reply.text is not None and reply.cut:
            self._cut = True
        elif reply.text is not None:
            skipped, self._cut = self._cut, False
            arrival = self.now() + reply.after_s
            if self._coming:
                arrival = max(arrival, self._coming[-1][0])
            self._coming.extend(
                (arrival + turn * reply.apart_s, reply.text) for turn in range(skipped, reply.times)
            )

    def read(self, timeout_s: float) -> str:
        """Return the next line, if it arrives within `timeout_s`.

        Raises:
            ReplyTimeout: no line arrives in time.
            ReplyError: the line is too long.
            LinkLost: the link was closed, or the wait cancelled.
        """
        self._check()
        deadline = self.now() + timeout_s
        polled_s = self._polled_s
        if not self._coming or self._coming[0][0] > deadline:
            self.clock.advance(max(timeout_s, 0.0))
            self._polled_s = self.now()
            raise ReplyTimeout(f"no reply within {timeout_s:.3g} s. This is a script.")
        arrival, line = self._coming.popleft()
        if arrival > self.fetched_s:
            self.fetched_s = max(self.now(), arrival)
            self.lines_fetched = 1 + sum(at_s <= self.fetched_s for at_s, _ in self._coming)
            self._fetched_unpolled_s = self.now() - polled_s if arrival < self.now() else 0.0
        self.unpolled_s = self._fetched_unpolled_s
        self.clock.advance(max(arrival - self.now(), 0.0))
        self._polled_s = self.arrived_s = self.now()
        if len(line) > LONGEST_LINE_CHARS:
            raise ReplyError(f"a reply of more than {LONGEST_LINE_CHARS} bytes is no reading.")
        return line

    def query(self, query: str, timeout_s: float) -> str:
        """Drop lines that have arrived, send `query`, and return the next line."""
        self._drop_arrived()
        self.write(query)
        return self.read(timeout_s)

    def discard_input(self) -> None:
        """Drop lines that have arrived, after a wait of 20 ms."""
        self._check()
        self.clock.advance(0.02)
        self._drop_arrived()

    def pause(self, timeout_s: float) -> None:
        """Let `timeout_s` pass."""
        self.clock.wait(self._cancel, timeout_s)
        self._check()

    def close(self) -> None:
        """Mark the link as closed."""
        self.closed = True

    def _answer(self, command: str) -> Answer:
        entry = self._script.get(command, MUTE)
        if callable(entry):
            return entry()
        if isinstance(entry, str | Reply):
            return entry
        turn = self._turn.get(command, 0)
        self._turn[command] = turn + 1
        return entry[min(turn, len(entry) - 1)]

    def _drop_arrived(self) -> None:
        while self._coming and self._coming[0][0] <= self.now():
            self._coming.popleft()

    def _check(self) -> None:
        if self._cancel.is_set():
            raise LinkLost("the wait for the counter was stopped.")
        if self._gone or self.closed:
            raise LinkLost("the counter closed the connection. This is a script.")


class FakeBus:
    """Opens scripted links one after another, as `benchwatch.bus.Buses` opens real ones.

    Args:
        scripts: script of each link, in the order of opening; an exception is raised instead.
        clock: clock of all links; None: a new one.
    """

    def __init__(self, *scripts: Script | BaseException, clock: LeapClock | None = None) -> None:
        self.clock = clock or LeapClock()
        self.links: list[FakeLink] = []
        self.opened = 0
        self._scripts = scripts

    def open_link(self, resource: str, *, cancel: threading.Event | None = None) -> FakeLink:
        """Open a link with the next script, or with the last one once all are used.

        Raises:
            ConnectionFailed: the script is empty.
        """
        script = self._scripts[min(self.opened, len(self._scripts) - 1)]
        self.opened += 1
        if isinstance(script, BaseException):
            raise script
        if not script:
            raise ConnectionFailed(f"can't open {resource}: nothing listens on that port.")
        link = FakeLink(script, self.clock, resource, cancel)
        self.links.append(link)
        return link
