"""Question and answer with an instrument that speaks SCPI, kept in step.

A missed answer may still come, and would be taken for the answer to the next question, for
ever one behind. So after each the instrument is asked who it is until exactly that comes.
"""

import re
from collections.abc import Iterator
from typing import Final

from benchwatch.counter import Link
from benchwatch.errors import LinkLost, ReplyError, ReplyTimeout
from benchwatch.quantity import printable

IDENTITY_TIMEOUT_S: Final = 2.0
QUERY_TIMEOUT_S: Final = (0.25, 1.0)
"""An instrument that has not answered a question about its settings by then can't: this long
at least and at most, and in between 20 times as long as it took to say who it is."""
PROOF: Final = "*ESE?"
"""A question with another answer than ``*IDN?`` (IEEE 488.2 10.12); it changes nothing."""
ERROR_QUEUE_LIMIT: Final = 32
"""No queue is longer; an instrument that reports errors for ever must not hold us."""

_ERROR: Final = re.compile(r"([+-]?\d{1,6})(?:\s*,\s*(.*))?", re.ASCII)


class Dialogue:
    """Asks through a link; knows what the instrument answers and what it does not.

    Attributes:
        identity: The reply to ``*IDN?`` that proves that question and answer belong together.
        query_timeout_s: How long an answer about a setting may take.
        patience_s: How much longer than usual the instrument may be busy, such as its gate.
    """

    def __init__(self, link: Link) -> None:
        self.link = link
        self.identity: str | None = None
        self.query_timeout_s = QUERY_TIMEOUT_S[1]
        self.patience_s = 0.0
        self._known: set[str] = set()
        self._unknown: set[str] = set()
        """Queries that were answered before, and those that never were."""
        self._slipped = False

    def introduce(self) -> str:
        """Ask ``*IDN?``, and take from it how quick the instrument is; raises as `Link.ask`."""
        asked_s = self.link.now()
        self.identity = self.link.ask("*IDN?", IDENTITY_TIMEOUT_S)
        shortest_s, longest_s = QUERY_TIMEOUT_S
        took_s = self.link.now() - asked_s
        self.query_timeout_s = min(max(20 * took_s, shortest_s), longest_s)
        return self.identity

    def ask(self, query: str, timeout_s: float) -> str:
        """Ask what every counter must answer."""
        try:
            return self.link.ask(query, timeout_s)
        except (ReplyTimeout, ReplyError):
            self._slipped = True
            raise

    def distrust(self) -> None:
        """Note that an answer was odd enough to be the answer to something else."""
        self._slipped = True

    def optional(self, query: str) -> str | None:
        """Ask what not every counter knows; one that stays silent is not asked again.

        Raises:
            ReplyTimeout: it answered this before, and now does not.
        """
        if query in self._unknown:
            return None
        self.back_in_step()
        try:
            reply = self.ask(query, self.query_timeout_s)
        except (ReplyTimeout, ReplyError):
            if query in self._known:
                raise
            self._unknown.add(query)
            self.back_in_step()  # also clears away the error that the question caused
            return None
        self._known.add(query)
        return reply

    def back_in_step(self) -> list[tuple[int, str]]:
        """After a missed or odd answer: ask who is there until exactly that is answered.

        Returns:
            What was in the error queue: (code, text). Nothing when nothing had slipped.

        Raises:
            LinkLost: it is not answered; only a new connection drops what may still come.
        """
        if not self._slipped:
            return []
        self.link.resync()
        if not any(self._identity_comes() for _ in range(2)) or self._is_one_behind():
            raise LinkLost(
                "the counter no longer answers *IDN? as it did, so its readings can't be "
                f"trusted. {printable(self.link.resource)} is opened again."
            )
        self._slipped = False
        return self.drain_errors()

    def drain_errors(self) -> list[tuple[int, str]]:
        """Read out the error queue: (code, text as the counter put it)."""
        return [] if "SYST:ERR?" in self._unknown else list(self._errors())

    def _identity_comes(self) -> bool:
        self.link.tell("*IDN?")
        deadline = self.link.now() + IDENTITY_TIMEOUT_S + self.patience_s
        while (left_s := deadline - self.link.now()) > 0:
            try:
                if self.link.hear(left_s) == self.identity:
                    return True
            except ReplyTimeout:
                return False
            except ReplyError:
                continue
        return False

    def _is_one_behind(self) -> bool:
        """Tell whether the identity is what any question gets: answers come a question late."""
        if PROOF in self._unknown:
            return False
        self.link.tell(PROOF)
        try:
            return self.link.hear(self.query_timeout_s) == self.identity
        except (ReplyTimeout, ReplyError):
            self._unknown.add(PROOF)
            return False

    def _errors(self) -> Iterator[tuple[int, str]]:
        for _ in range(ERROR_QUEUE_LIMIT):
            try:
                reply = self.ask("SYST:ERR?", self.query_timeout_s)
            except (ReplyTimeout, ReplyError):
                reply = ""
            match = _ERROR.fullmatch(reply.strip())
            if match is None:
                self._unknown.add("SYST:ERR?")
                return
            if int(match[1]) == 0:
                return
            yield int(match[1]), printable(reply.strip())
