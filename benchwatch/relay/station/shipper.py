"""Sends what a station's journal and registers hold, on a thread of its own."""

import threading
import time
from collections import deque
from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol

from benchwatch.errors import BenchwatchError
from benchwatch.relay.answers import decode_answer
from benchwatch.relay.payload import PayloadRefused
from benchwatch.relay.station.transfer import Transfer
from benchwatch.relay.station.unsent_count import oldest_unsent_s, total_unsent
from benchwatch.relay.station.unsent_entries import UnsentEntries
from benchwatch.relay.station.unsent_events import UnsentEvents
from benchwatch.relay.topics import batch_topic

EXPIRY_S: Final = 30
"""A batch that could not be delivered for so long is sent anew, or is there by now."""
TICK_S: Final = 1.0
"""Longest sleep of the thread; an event that was written is noticed after one."""
RETRY_S: Final = 5.0
"""Time after which a journal that could not be read is tried again."""
LONGEST_PAUSE_S: Final = 0.02
"""Longest pause after a batch in a backlog; it is as long as reading the batch took, so that the
other threads get their turn."""
MOST_ANSWERS: Final = 1000
"""Most answers that wait for the thread; of more, the oldest are lost, and asked for again."""
LAST_LOOK_S: Final = 0.5
"""Longest time for a last look at the journal."""
STATE_S: Final = 0.2
"""Time between two looks at how much is unsent, while batches are sent."""


class Publish(Protocol):
    """Sends a message, as `BrokerConnection.publish` does."""

    def __call__(  # noqa: D102
        self,
        topic: str,
        payload: bytes,
        *,
        qos: int = 0,
        retain: bool = False,
        expiry_s: int | None = None,
    ) -> bool: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class ShippingState:
    """How sending stands."""

    connected: bool = False
    unsent: int | None = None
    """Events and entries of this station that the central record does not have; None: unknown."""
    oldest_utc_s: float | None = None
    """When the first reading was taken that it does not have, Unix seconds."""
    why: str = ""
    """Why nothing is sent, without full stop; empty: nothing holds it up."""
    refused: int = 0
    """Runs and chains that were refused, or can't be sent."""
    taken: int = 0
    """Batches of runs that were answered as committed, also of events that the record had."""


class Shipper:
    """Sends a journal's runs and the chains of registers until the central record has them.

    Its callers say what the connection hears: `connected`, `lost`, `answered`, `keeper_takes`.
    They, and `wake`, return at once and may be called from any thread.

    Args:
        station: name of this station.
        journal: its journal.
        registers: paths of the registers, which may be missing.
        own_runs: returns the keys of the runs that this program writes.
        publish: sends a message.
    """

    def __init__(
        self,
        station: str,
        journal: Path,
        *,
        registers: Sequence[Path] = (),
        own_runs: Callable[[], Collection[int]] = tuple,
        publish: Publish,
    ) -> None:
        self.state = ShippingState()
        self._topic = batch_topic(station)
        self._events = UnsentEvents(journal)
        self._transfer = Transfer(self._events, UnsentEntries(registers), own_runs)
        self._publish = publish
        self._happened: deque[Callable[[float], None]] = deque(maxlen=MOST_ANSWERS)
        self._is_news = False
        """Whether an event was written since the last look."""
        self._stop_s: float | None = None
        """When the thread ends at the latest, monotonic; None: it goes on."""
        self._has_looked_last = False
        """Whether the journal was looked at since the thread was to end."""
        self._state_s = 0.0
        self._trouble = ""
        self._is_done = False
        self._awake = threading.Event()
        self._thread = threading.Thread(target=self._run, name="shipper", daemon=True)

    @property
    def notices(self) -> Sequence[str]:
        """Sentences on what can't be sent, each told once; the list only grows."""
        return self._transfer.notices

    @property
    def is_done(self) -> bool:
        """Whether the record has all of the journal and the registers that can be sent."""
        return self._is_done

    @property
    def runs(self) -> int:
        """How many runs of the journal are sent, or were."""
        return sum(isinstance(name, int) for name in tuple(self._transfer.streams))

    def start(self) -> None:
        """Begin to send, as soon as there is a connection."""
        self._thread.start()

    def stop(self, within_s: float) -> None:
        """Send what is left of the runs of this program, and end; wait at most `within_s`."""
        self._stop_s = time.monotonic() + within_s
        self._awake.set()
        if self._thread.is_alive():
            self._thread.join(within_s + LAST_LOOK_S)

    def wake(self) -> None:
        """Take that an event was written."""
        self._is_news = True

    def connected(self) -> None:
        """Take that there is a connection, and that answers are heard."""
        self._take(self._transfer.connected)

    def lost(self, why: str) -> None:
        """Take that there is no connection, and why."""
        self._take(lambda _: self._transfer.lost(why))

    def answered(self, payload: bytes) -> None:
        """Take a message of the topic for answers."""
        self._take(lambda now_s: self._answer(payload, now_s))

    def keeper_takes(self) -> None:
        """Take that a keeper has begun to take batches."""
        self._take(self._transfer.ask_anew)

    # ------------------------------------------------------------ the thread

    def _take(self, happened: Callable[[float], None]) -> None:
        self._happened.append(happened)
        self._awake.set()

    def _answer(self, payload: bytes, now_s: float) -> None:
        with suppress(PayloadRefused):  # it is asked for again
            self._transfer.answered(decode_answer(payload), now_s)

    def _run(self) -> None:
        while not self._is_over():
            try:
                pause_s = self._step()
                self._trouble = ""
            except BenchwatchError as error:
                self._trouble = str(error).rstrip(".")
                self._events.close()
                pause_s = RETRY_S
            except Exception as error:  # noqa: BLE001 - a thread that ends would say nothing
                self._trouble = f"an error of this program: {type(error).__name__}: {error}"
                self._events.close()
                pause_s = RETRY_S
            self._show_state(at_once=pause_s > LONGEST_PAUSE_S or self._stop_s is not None)
            if self._stop_s is not None:
                pause_s = min(pause_s, 0.02)
            if pause_s > 0.0:
                self._awake.wait(pause_s)
                self._awake.clear()
        self._events.close()

    def _step(self) -> float:
        """Take what has happened, and send a message; return for how long there is nothing to do.

        Raises:
            JournalError: the journal can't be read.
        """
        now_s = time.monotonic()
        while self._happened:
            self._happened.popleft()(now_s)
        ends = self._stop_s is not None
        if self._is_news or (ends and not self._has_looked_last):
            self._is_news, self._has_looked_last = False, ends
            self._transfer.woken(now_s, at_once=ends)
        payload = self._transfer.step(now_s)
        if payload is None:
            return min(self._transfer.next_s(now_s) - now_s, TICK_S) or LONGEST_PAUSE_S / 4
        # One that is not sent is missed by its answer.
        self._publish(self._topic, payload, qos=1, expiry_s=EXPIRY_S)
        took_s = time.monotonic() - now_s
        time.sleep(min(took_s, LONGEST_PAUSE_S))
        return 0.0

    def _is_over(self) -> bool:
        if self._stop_s is None:
            return False
        late_s = time.monotonic() - self._stop_s
        if not self._has_looked_last and not self._trouble:  # to say what is left
            return late_s >= LAST_LOOK_S
        if self._happened:
            return late_s >= 0.0
        return self._transfer.is_own_done or not self._transfer.is_connected or late_s >= 0.0

    def _show_state(self, *, at_once: bool) -> None:
        now_s = time.monotonic()
        if not at_once and now_s < self._state_s + STATE_S:
            return
        self._state_s = now_s
        transfer = self._transfer
        streams = tuple(transfer.streams.values())
        self._is_done = transfer.is_done and not self._trouble
        unsent = total_unsent(streams)
        self.state = ShippingState(
            connected=transfer.is_connected,
            unsent=0 if unsent is None and self._is_done else unsent,
            oldest_utc_s=oldest_unsent_s(streams),
            why=self._trouble or transfer.why,
            refused=transfer.refused,
            taken=transfer.taken,
        )
