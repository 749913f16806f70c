"""The guarded session: whole lines over a wire, with deadlines, each answer to its own query.

Each remedy for a fault of a bus or a library stands beside a comment that states the fault.
"""

import re
import threading
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

from benchwatch.bus.line_buffer import LineBuffer
from benchwatch.bus.wire import Wire
from benchwatch.clock import Clock
from benchwatch.errors import BenchwatchError, LinkLost, ReplyError, ReplyTimeout, UsageError
from benchwatch.quantity import printable
from benchwatch.system.clocks import monotonic

SLICE_S: Final = 0.2
"""Longest single wait, so that a stop takes effect in the middle of a long gate."""
SILENCE_S: Final = 0.02
"""A peer that was silent for so long has sent all it had to send."""
ALREADY_WAITING_S: Final = 0.001
"""Bytes received sooner than this were waiting already, for an unknown time."""
MOST_BYTES_AT_ONCE: Final = 1 << 20
"""Most bytes read together after a time without a read: a peer may never stop sending."""
STALL_S: Final = 0.1
"""A wait that overran its timeout by more than this was interrupted: the process stood still."""
DRAIN_LIMIT_S: Final = 2.0
"""A peer that still sends after this long can't be synchronised."""
MOST_SEEN_BYTES: Final = 1000
"""Most bytes of dropped input in which a whole line is looked for."""


@dataclass(frozen=True, slots=True)
class Fetch:
    """When the newest lines were received, and how many."""

    at_s: float
    """Monotonic seconds, on the clock of the run."""
    unpolled_s: float = 0.0
    """Seconds without a read before that."""
    lines: int = 1
    """Number of whole lines that were received together."""


class Session:
    """A `benchwatch.counter.Link` over any wire.

    It belongs to the thread that first uses it: two threads on one instrument would get each
    other's answers.
    """

    def __init__(self, wire: Wire, *, clock: Clock, cancel: threading.Event | None = None) -> None:
        self._wire = wire
        self._message_based = wire.message_based
        """On such a bus nothing is to be drained, and a read without a query is an error."""
        self._honours_timeout = wire.honours_timeout
        self._clock = clock
        self._cancel = cancel or threading.Event()
        self._owner: int | None = None
        self._lines = LineBuffer(wire.resource)
        self._sent_end = b"\n"
        self._polled_s = monotonic()
        """When the input was last known to be empty, on the computer's own clock: the wires use it
        for their timeouts, also where the run has another clock."""
        self._fetch = Fetch(clock.monotonic())
        self._lines_given = 1
        """Number of lines of the newest fetch that were read."""
        self.newest_line = ""
        """The newest whole line that came, read or dropped; empty before the first."""
        self._dirty = True
        """True while input may be on its way that would be taken for the next answer: a late reply,
        or at the beginning a greeting."""

    @property
    def resource(self) -> str:
        """The resource string the link was opened with."""
        return self._wire.resource

    @property
    def never_duplicates(self) -> bool:
        """True of a file or a pipe: no line comes twice unless it was written twice."""
        return self._wire.never_duplicates

    @property
    def arrived_s(self) -> float:
        """When the newest line came, monotonic seconds; see `benchwatch.counter.Link`."""
        part = min(self._lines_given / self._fetch.lines, 1.0)
        return self._fetch.at_s - self._fetch.unpolled_s * (1.0 - part)

    @property
    def unpolled_s(self) -> float:
        """Time without a read before the newest line was received; it came within that time."""
        return self._fetch.unpolled_s

    @property
    def fetched_s(self) -> float:
        """When the newest line, and all that waited with it, was received; monotonic seconds."""
        return self._fetch.at_s

    @property
    def lines_fetched(self) -> int:
        """Number of whole lines that were received together at `fetched_s`."""
        return self._fetch.lines

    def now(self) -> float:
        """Monotonic seconds."""
        return self._clock.monotonic()

    def use_terminator(self, terminator: str) -> None:
        """End lines, both ways, with LF (the default), CR or CR LF from now on."""
        self._sent_end = terminator.encode("ascii")
        self._lines.use_ends((b"\r", b"\n") if terminator == "\r" else (b"\n",))

    def write(self, command: str) -> None:
        """Send one command line; the terminator is added."""
        self._check_owner()
        try:
            data = command.encode("ascii")
        except UnicodeEncodeError as error:
            raise UsageError(
                f"'{printable(command)}' can't be sent: commands are plain ASCII."
            ) from error
        if b"\n" in data or b"\r" in data:
            raise UsageError(f"'{printable(command)}' can't be sent: it is more than one line.")
        # Taken before sending: this computer may stand still right after, and the answer may come.
        self._polled_s = monotonic()
        self._wire.send(data + self._sent_end)

    def read(self, timeout_s: float) -> str:
        """Return the next whole line, without its terminator, within `timeout_s`.

        Raises:
            ReplyTimeout: no whole line came; a line under way is dropped to its end.
            ReplyError: a line of more than 4 kB; the rest of it is dropped.
            LinkLost: the peer is gone, or the wait was cancelled.
        """
        self._check_owner()
        deadline = self._clock.monotonic() + timeout_s
        is_over = False
        while True:
            try:
                line = self._lines.next_line()
            except ReplyError:
                self._dirty = self._dirty or self._lines.is_cut
                raise
            if line is not None:
                self._lines_given += 1
                self.newest_line = line
                return line
            self._check_cancel()
            left = deadline - self._clock.monotonic()
            if left <= 0 and is_over:
                self._lines.drop()
                self._dirty = True
                raise ReplyTimeout(
                    f"no reply within {timeout_s:.3g} s. Check the counter's signal, gate and "
                    f"trigger, and the cable of {printable(self.resource)}."
                )
            is_over = left <= 0  # the process may have stood still, so read once more
            self._receive(max(min(left, SLICE_S), 0.0))

    def query(self, query: str, timeout_s: float) -> str:
        """Send `query` and return its reply line; older input is dropped first."""
        if self._dirty or self._lines or self._wire.has_input():
            self.discard_input()
        self.write(query)
        return self.read(timeout_s)

    def discard_input(self) -> None:
        """Drop all input until the line has been silent for 20 ms.

        Raises:
            LinkLost: the peer is gone, or never falls silent.
        """
        self._check_owner()
        deadline = self._clock.monotonic() + DRAIN_LIMIT_S
        self._lines.drop()
        seen = b""
        while not self._message_based and (dropped := self._wire.receive(SILENCE_S)):
            self._lines.drop(dropped)
            seen = (seen + dropped)[-MOST_SEEN_BYTES:]
            self.newest_line = _last_whole_line(seen) or self.newest_line
            self._check_cancel()
            if self._clock.monotonic() > deadline:
                raise LinkLost(
                    f"the counter talks without being asked and can't be brought into step. "
                    f"Is {printable(self.resource)} a talk-only counter? Choose its driver."
                )
        self._polled_s = monotonic()
        self._dirty = False

    def pause(self, timeout_s: float) -> None:
        """Wait for `timeout_s`, or until the run is stopped.

        Raises:
            LinkLost: the wait was cancelled.
        """
        self._check_owner()
        self._clock.wait(self._cancel, timeout_s)
        self._check_cancel()

    def close(self) -> None:
        """Close the link; called by its opener, never by a driver."""
        self._wire.close()

    def _receive(self, timeout_s: float) -> None:
        """Receive bytes, waiting for the first one, and note how long they may have waited."""
        began_s = monotonic()
        data = self._wire.receive(timeout_s)
        now_s = monotonic()
        waited_s = now_s - began_s
        if data:
            self._lines.add(data)
            stood_still = self._honours_timeout and waited_s > timeout_s + STALL_S
            was_awaited = waited_s > ALREADY_WAITING_S and not stood_still
            unpolled_s = 0.0 if was_awaited else now_s - self._polled_s
            if unpolled_s > STALL_S and not self._message_based:
                self._receive_rest(len(data))
            lines = max(self._lines.count_ends(), 1)
            self._fetch, self._lines_given = Fetch(self._clock.monotonic(), unpolled_s, lines), 0
        self._polled_s = now_s

    def _receive_rest(self, received: int) -> None:
        """Receive all other waiting bytes too, so that none of them seem to have come later."""
        with suppress(BenchwatchError):  # a broken link is reported by the next read
            while received < MOST_BYTES_AT_ONCE and (data := self._wire.receive(0.0)):
                self._lines.add(data)
                received += len(data)

    def _check_cancel(self) -> None:
        if self._cancel.is_set():
            self._dirty = True
            raise LinkLost("the wait for the counter was stopped.")

    def _check_owner(self) -> None:
        me = threading.get_ident()
        if self._owner is None:
            self._owner = me
        assert self._owner == me, "a link belongs to one thread"


def _last_whole_line(seen: bytes) -> str:
    """Return the last line in `seen` that has a beginning and an end; empty without one."""
    parts = re.split(rb"[\r\n]+", seen)
    return parts[-2].decode("latin-1") if len(parts) > 2 else ""
