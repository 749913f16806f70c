"""What the broker's connection has told, until the thread that sends takes it.

Of the link only the newest state counts, so that no number of answers can crowd it out. Answers
that came before a connection, or before a keeper began, don't count after it: everything is asked
anew then, and the record may be another one, such as one that was set back.
"""

import threading
from collections import deque
from contextlib import suppress
from typing import Final

from benchwatch.relay.answers import decode_answer
from benchwatch.relay.payload import PayloadRefused
from benchwatch.relay.station.transfer import Transfer

MOST_ANSWERS: Final = 1000
"""Most answers that wait; of more, the oldest are lost, and asked for again."""


class BrokerNews:
    """May be told by any thread, and gives what it was told to the transfer of one."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._why_lost: str | None = None
        self._link_changed = self._keeper_takes = False
        self._answers: deque[bytes] = deque(maxlen=MOST_ANSWERS)

    def connected(self) -> None:
        """Take that there is a connection."""
        with self._lock:
            self._link_changed, self._why_lost = True, None
            self._answers.clear()

    def lost(self, why: str) -> None:
        """Take that there is none."""
        with self._lock:
            self._link_changed, self._why_lost = True, why

    def keeper_takes(self) -> None:
        """Take that a keeper has begun to take batches."""
        with self._lock:
            self._keeper_takes = True
            self._answers.clear()

    def answered(self, payload: bytes) -> None:
        """Take an answer."""
        with self._lock:
            self._answers.append(payload)

    @property
    def waits(self) -> bool:
        """Whether there is anything to be taken."""
        return self._link_changed or self._keeper_takes or bool(self._answers)

    def give_to(self, transfer: Transfer, now_s: float) -> None:
        """Give all to a transfer: the link first, for it decides what the rest means.

        Args:
            transfer: what sends.
            now_s: the present, monotonic seconds.
        """
        with self._lock:
            link_changed, why_lost = self._link_changed, self._why_lost
            keeper_takes = self._keeper_takes
            self._link_changed = self._keeper_takes = False
            answers = list(self._answers)
            self._answers.clear()
        if link_changed and why_lost is None:
            transfer.connected(now_s)
        elif link_changed:
            assert why_lost is not None
            transfer.lost(why_lost)
        if keeper_takes:
            transfer.ask_anew(now_s)
        for payload in answers:
            with suppress(PayloadRefused):  # it is asked for again
                transfer.answered(decode_answer(payload), now_s)
