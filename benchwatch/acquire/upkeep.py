"""What is done with a counter between two readings: the operator's wishes, and a look around."""

import queue
from decimal import Decimal

from benchwatch.acquire.connection import Teller
from benchwatch.acquire.lookout import Lookout
from benchwatch.acquire.readings import ReadingMaker
from benchwatch.clock import Clock
from benchwatch.counter import Counter, Setup, TimeBase
from benchwatch.errors import UsageError


class Upkeep:
    """Keeps setup, time base and gate as they are asked for and told.

    Args:
        setup: what the operator asked to be set; later wishes go over it.
        maker: learns what readings are judged by.
        teller: tells what has become known.
        clock: where time comes from.
    """

    def __init__(self, setup: Setup, *, maker: ReadingMaker, teller: Teller, clock: Clock) -> None:
        self._setup = setup
        self._maker = maker
        self._teller = teller
        self._lookout = Lookout(clock)
        self._wishes: queue.SimpleQueue[Setup | Decimal] = queue.SimpleQueue()

    def wish(self, wish: Setup | Decimal) -> None:
        """Leave a wish for after the reading in flight: settings, or a nominal in hertz."""
        self._wishes.put(wish)

    def first(self, counter: Counter) -> tuple[TimeBase, float | None]:
        """Set what was asked for, also after a reconnect, and ask what can be asked."""
        if not self._setup.asks_nothing:
            counter.configure(self._setup)
        time_base, gate_s = self._lookout.first(counter)
        self._learn(time_base, gate_s)
        return time_base, gate_s

    def between(self, counter: Counter) -> None:
        """Do what was wished, and notice a change where the counter told before."""
        while not self._wishes.empty():
            self._fulfil(self._wishes.get(), counter)
        known = self._teller.connection
        time_base, gate_s = self._lookout.again(counter, known.time_base, known.gate_s)
        if (time_base, gate_s) != (known.time_base, known.gate_s):
            self._learn(time_base, gate_s)
            self._teller.know(time_base=time_base, gate_s=gate_s)

    def _fulfil(self, wish: Setup | Decimal, counter: Counter) -> None:
        if isinstance(wish, Decimal):
            self._maker.take_nominal(wish)
            self._teller.know(nominal=wish)
            return
        try:
            counter.configure(wish)
        except UsageError as error:
            self._teller.say(self._teller.connection.link.state, str(error))
            return
        self._setup = Setup(
            gate_s=self._setup.gate_s if wish.gate_s is None else wish.gate_s,
            channel=self._setup.channel if wish.channel is None else wish.channel,
        )
        self._maker.gate_s = counter.gate_s()
        self._teller.say(self._teller.connection.link.state, gate_s=self._maker.gate_s)

    def _learn(self, time_base: TimeBase, gate_s: float | None) -> None:
        self._maker.take_time_base(time_base)
        self._maker.gate_s = gate_s
