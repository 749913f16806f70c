"""The message exchange protocol of IEEE 488.2 chapter 6.3, for buses with a controller.

On a raw socket a response is sent at once. On a bus, a controller that addresses an instrument to
talk can violate the order of query and response, and the instrument must report it (clauses from
memory). Messages are executed on a thread of the instrument, so the bus is free during a long gate.
"""

import threading
import time
from collections import deque

from benchwatch_simulators.bench_time import InstrumentClosed
from benchwatch_simulators.counters.delivery import Delivery
from benchwatch_simulators.counters.instrument import Instrument, status_byte
from benchwatch_simulators.faults import AnswerPart

_POLL_S = 0.01
"""A part that is not due yet is checked this often, as the bench may have any clock."""


class _Trigger:
    """A group execute trigger in the queue of messages."""


class MessageExchange:
    """The messages and responses between one controller and one instrument; must be closed.

    Args:
        instrument: instrument that executes the messages.
        delivery: applies the faults of the answers; None: there are none.

    Attributes:
        instrument: as the argument.
        is_on: whether the instrument has power.
    """

    def __init__(self, instrument: Instrument, delivery: Delivery | None = None) -> None:
        self.instrument = instrument
        self.is_on = True
        self._delivery = delivery or Delivery()
        self._changed = threading.Condition()
        self._inbox: deque[str | _Trigger | None] = deque()
        """Messages that wait; None: the instrument is addressed to talk."""
        self._out: deque[AnswerPart] = deque()
        self._busy = False
        self._generation = 0
        """Number of clears; a response of an earlier generation is dropped."""
        self._closed = False
        self._thread = threading.Thread(target=self._work, name="bench exchange", daemon=True)
        self._thread.start()

    @property
    def status_byte(self) -> int:
        """The instrument's status byte, with MAV while a response waits."""
        return status_byte(self.instrument, response_waits=self.has_response)

    @property
    def has_response(self) -> bool:
        """Whether a response waits to be read (MAV)."""
        with self._changed:
            return bool(self._out)

    def send(self, message: str) -> None:
        """Queue a program message; an unread response is lost: -410 (6.3.2.3)."""
        with self._changed:
            self._drop_unread()
            self._inbox.append(message)
            self._changed.notify_all()

    def trigger(self) -> None:
        """Queue a group execute trigger, behind the messages that wait."""
        with self._changed:
            self._inbox.append(_Trigger())
            self._changed.notify_all()

    def take(self, timeout_s: float) -> AnswerPart | None:
        """Address the instrument to talk; return the next part of its answer, None: timeout.

        Without a query the answer is what `Instrument.talk` returns; an SCPI instrument sends
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
        """Clear the device: drop messages and responses (5.8), also that of a running gate."""
        self.abandon()
        self.instrument.clear()

    def abandon(self) -> None:
        """Drop the messages and responses of a controller that has disconnected."""
        with self._changed:
            self._inbox.clear()
            self._out.clear()
            self._generation += 1
        self._delivery.faults.forget()

    def close(self) -> None:
        """End the instrument's thread; a running gate ends when the bench closes."""
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
                self._process(message, generation)
        except InstrumentClosed:
            self.close()

    def _process(self, message: str | _Trigger | None, generation: int) -> None:
        """Execute a message, and queue its response unless a newer message or a clear came."""
        response = self._execute(message)
        with self._changed:
            self._busy = False
            if response is not None and generation == self._generation:
                if any(isinstance(waiting, str) for waiting in self._inbox):
                    self.instrument.interrupted()
                else:
                    self._out.extend(self._delivery.shape(response))
            self._changed.notify_all()

    def _execute(self, message: str | _Trigger | None) -> str | None:
        """Execute a message; return the response, if there is one."""
        if message is None:
            return self.instrument.talk()
        if isinstance(message, str):
            return self.instrument.execute(message)
        self.instrument.group_trigger()
        return None
