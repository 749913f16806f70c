"""The message exchange protocol of IEEE 488.2 chapter 6.3, for buses with a controller.

On a raw socket a response is simply sent. A controller that addresses an instrument to talk can
violate the order of query and response, and the instrument must notice (clauses from memory). A
message is executed on a thread of the instrument's own, so the bus is free during a long gate.
"""

import threading
import time
from collections import deque

from benchwatch_simulators.bench_time import InstrumentClosed
from benchwatch_simulators.counters.delivery import Delivery
from benchwatch_simulators.counters.instrument import Instrument, status_byte
from benchwatch_simulators.faults import AnswerPart

_POLL_S = 0.01
"""How often a part that is not due yet is checked, as the bench's clock may be any."""


class _Trigger:
    """A group execute trigger in the queue of messages."""


class MessageExchange:
    """Messages and responses between one controller and one instrument; must be closed."""

    def __init__(self, instrument: Instrument, delivery: Delivery | None = None) -> None:
        self.instrument = instrument
        self.is_on = True
        self._delivery = delivery or Delivery()
        self._changed = threading.Condition()
        self._inbox: deque[str | _Trigger | None] = deque()
        """Messages that wait; None stands for being addressed to talk."""
        self._out: deque[AnswerPart] = deque()
        self._busy = False
        self._generation = 0
        self._closed = False
        self._thread = threading.Thread(target=self._work, name="bench exchange", daemon=True)
        self._thread.start()

    @property
    def status_byte(self) -> int:
        """The instrument's status byte with its bit for a response that waits."""
        return status_byte(self.instrument, response_waits=self.has_response)

    @property
    def has_response(self) -> bool:
        """True while a response waits to be read (MAV)."""
        with self._changed:
            return bool(self._out)

    def send(self, message: str) -> None:
        """Take a program message; an unread response is lost: -410 (6.3.2.3)."""
        with self._changed:
            self._drop_unread()
            self._inbox.append(message)
            self._changed.notify_all()

    def trigger(self) -> None:
        """Take a group execute trigger; it is obeyed after the messages before it."""
        with self._changed:
            self._inbox.append(_Trigger())
            self._changed.notify_all()

    def take(self, timeout_s: float) -> AnswerPart | None:
        """Address the instrument to talk; return its answer within `timeout_s`, or None.

        Without a query an instrument answers with what it sends when addressed; an SCPI one sends
        nothing then, and queues -420 (6.3.2.2).
        """
        deadline = time.monotonic() + timeout_s
        addressed = False
        with self._changed:
            while not self._closed:
                now_s = self._delivery.faults.now_s
                if self._out and self._out[0].due_s <= now_s:
                    return self._out.popleft()
                if not (addressed or self._busy or self._inbox or self._out):
                    addressed = True
                    self._inbox.append(None)
                    self._changed.notify_all()
                left_s = deadline - time.monotonic()
                if left_s <= 0:
                    return None
                self._changed.wait(min(left_s, _POLL_S) if self._out else left_s)
        return None

    def clear(self) -> None:
        """Device clear: drop messages and response (5.8), also that of a running gate."""
        self.abandon()
        self.instrument.clear()

    def abandon(self) -> None:
        """Drop the response that a disconnected controller did not fetch."""
        with self._changed:
            self._inbox.clear()
            self._out.clear()
            self._generation += 1
        self._delivery.faults.forget()

    def close(self) -> None:
        """End the instrument's thread; closing the bench ends a running gate."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def _drop_unread(self) -> None:
        if self._out:
            self._out.clear()
            self.instrument.interrupted()

    def _work(self) -> None:
        try:
            while True:
                with self._changed:
                    while not (self._inbox or self._closed):
                        self._changed.wait()
                    if self._closed:
                        return
                    message, generation = self._inbox.popleft(), self._generation
                    self._busy = True
                self._do(message, generation)
        except InstrumentClosed:
            self.close()

    def _do(self, message: str | _Trigger | None, generation: int) -> None:
        response = self._obey(message)
        with self._changed:
            self._busy = False
            if response is not None and generation == self._generation:
                if any(isinstance(waiting, str) for waiting in self._inbox):
                    self.instrument.interrupted()
                else:
                    self._out.extend(self._delivery.shape(response))
            self._changed.notify_all()

    def _obey(self, message: str | _Trigger | None) -> str | None:
        """Execute a message; return the response, if there is one."""
        if message is None:
            return self.instrument.talk()
        if isinstance(message, str):
            return self.instrument.execute(message)
        self.instrument.group_trigger()
        return None
