"""What is done with a counter between two readings: the operator's wishes, and a look around."""

import math
import queue
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from typing import Final

from benchwatch.acquire.counter_status import StatusPublisher
from benchwatch.acquire.reading_maker import ReadingMaker
from benchwatch.acquire.settings_poller import PolledSettings, SettingsPoller
from benchwatch.clock import Clock
from benchwatch.counter import Counter, Setup, TimeBase, plausible_gate_s
from benchwatch.errors import UsageError
from benchwatch.quantity import format_duration

SAME: Final = 1e-3
"""Two answers about one gate differ by no more than this fraction."""
MOST_RESETS: Final = 3
"""A gate that was asked for is set again so often within `RESETS_S`; then somebody else wants
another one."""
RESETS_S: Final = 600.0


class SettingsControl:
    """Keeps setup, time base and gate as they are asked for and told.

    Args:
        setup: what the operator asked to be set; later wishes go over it.
        maker: learns what readings are judged by.
        teller: tells what has become known.
        note: puts a sentence on the time line.
        clock: where time comes from.
    """

    def __init__(
        self,
        setup: Setup,
        *,
        maker: ReadingMaker,
        teller: StatusPublisher,
        note: Callable[[str], None],
        clock: Clock,
    ) -> None:
        self._setup = setup
        self._maker = maker
        self._teller = teller
        self._note = note
        self._clock = clock
        self._lookout = SettingsPoller(clock)
        self._wishes: queue.SimpleQueue[Setup | Decimal] = queue.SimpleQueue()
        self._set_gate_s: float | None = None
        """What was read back after the gate that was asked for had been set."""
        self._resets: deque[float] = deque(maxlen=MOST_RESETS)
        self._old: list[str] = []
        self._doubted_s: float | None = None
        """The gate that was said to be impossible."""

    def wish(self, wish: Setup | Decimal) -> None:
        """Leave a wish for after the reading in flight: settings, or a nominal in hertz."""
        self._wishes.put(wish)

    def first(self, counter: Counter) -> tuple[TimeBase, float | None]:
        """Set what was asked for, also after a reconnect, and ask what can be asked."""
        if not self._setup.is_empty:
            self._configure(counter, self._setup)
        told = self._lookout.first(counter)
        retry_unanswered = getattr(counter, "retry_unanswered", None)
        if retry_unanswered is not None and self._has_lost(told):
            retry_unanswered()
            told = self._lookout.first(counter)
        self._learn(told)
        return told.time_base, told.gate_s

    def _has_lost(self, told: PolledSettings) -> bool:
        """Tell whether the counter told more before it was opened again; it may have been busy."""
        known = self._teller.connection
        base = told.time_base.source == "unknown" and known.time_base.source != "unknown"
        return base or (told.gate_s is None and known.gate_s is not None)

    def between(self, counter: Counter) -> None:
        """Do what was wished, and notice a change where the counter told before."""
        while not self._wishes.empty():
            self._fulfil(self._wishes.get(), counter)
        if self._is_doubtful():
            self._lookout.look_now()
        if not self._lookout.is_time(self._maker.gate_s):
            return
        known = PolledSettings(self._teller.connection.time_base, self._teller.connection.gate_s)
        told = self._lookout.again(counter, known)
        if told != known and self._has_lost_its_gate(told):
            told = replace(told, gate_s=self._set_again(counter, told.gate_s))
        if told != known:
            self._learn(told)
            self._teller.know(time_base=told.time_base, gate_s=told.gate_s)
        if self._is_doubtful():
            self._doubted_s = self._maker.gate_s
            self._note(self._maker.doubt or "")
        self._tell_old(told)

    def _fulfil(self, wish: Setup | Decimal, counter: Counter) -> None:
        if isinstance(wish, Decimal):
            self._maker.take_nominal(wish)
            self._teller.know(nominal=wish)
            return
        try:
            self._configure(counter, wish)
        except UsageError as error:
            self._teller.say(self._teller.connection.link.state, str(error))
            return
        self._setup = Setup(
            gate_s=self._setup.gate_s if wish.gate_s is None else wish.gate_s,
            channel=self._setup.channel if wish.channel is None else wish.channel,
        )
        gate_s = plausible_gate_s(counter.gate_s())
        self._maker.take_gate(self._teller.connection.gate_s if gate_s is None else gate_s)
        self._teller.say(self._teller.connection.link.state, gate_s=self._maker.gate_s)

    # ------------------------------------------------------------- the gate that was asked for

    def _configure(self, counter: Counter, setup: Setup) -> None:
        done = counter.configure(setup)
        self._maker.gate_was_set()
        if done.gate_s is not None:
            self._set_gate_s = done.gate_s

    def _has_lost_its_gate(self, told: PolledSettings) -> bool:
        if self._set_gate_s is None or told.gate_s is None:
            return False
        return not _same(told.gate_s, self._set_gate_s)

    def _set_again(self, counter: Counter, told_s: float | None) -> float | None:
        """Set what was asked for again, as after a power cut behind an adapter that stays on.

        Returns:
            The gate as it is then.
        """
        wanted_s, gate_s = self._set_gate_s, counter.gate_s()
        if not (_same(gate_s, told_s) and wanted_s):
            return wanted_s  # it is not told twice, so it was an answer gone wrong
        found, asked = format_duration(gate_s or 0.0), format_duration(wanted_s)
        now_s = self._clock.monotonic()
        if len(self._resets) == MOST_RESETS and now_s - self._resets[0] < RESETS_S:
            self._set_gate_s = None
            self._note(
                f"the counter's gate is {found} again, though {asked} was asked for and set again "
                f"{MOST_RESETS} times. It is left so; does somebody set it at the front panel?"
            )
            return gate_s
        self._resets.append(now_s)
        try:
            self._configure(counter, self._setup)
        except UsageError as error:
            self._set_gate_s = None
            self._note(f"the counter's gate was found at {found}, and stays so: {error}")
            return gate_s
        if _same(self._set_gate_s, wanted_s):
            end = f"it was set to {asked} again, as asked"
        else:
            end = f"{asked} was asked for, and it does not go there any more"
        self._note(f"the counter's gate was found at {found}; {end}")
        return self._set_gate_s

    # ------------------------------------------------------------- what is known

    def _tell_old(self, known: PolledSettings) -> None:
        """Put on the time line when something known is no longer told, and when it is again."""
        old = self._lookout.old()
        shown = {
            "time base": known.time_base.source,
            "gate": format_duration(known.gate_s or math.nan),
        }
        for what in old:
            if what not in self._old:
                self._note(
                    f"the counter no longer tells its {what} so that it can be read; "
                    f"the last one told is kept: {shown[what]}"
                )
        for what in self._old:
            if what not in old:
                self._note(f"the counter tells its {what} again: {shown[what]}")
        self._old = old

    def _is_doubtful(self) -> bool:
        """Tell whether the gate that is told can't be right, and that was not said yet."""
        return self._maker.doubt is not None and self._maker.gate_s != self._doubted_s

    def _learn(self, told: PolledSettings) -> None:
        self._maker.take_time_base(told.time_base)
        self._maker.take_gate(told.gate_s)


def _same(one_s: float | None, other_s: float | None) -> bool:
    """Tell whether two answers are about the same gate."""
    return one_s is not None and other_s is not None and math.isclose(one_s, other_s, rel_tol=SAME)
