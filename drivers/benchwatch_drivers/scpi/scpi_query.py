"""Question and answer with an instrument that speaks SCPI, kept in step."""

import math
import re
from collections.abc import Iterator
from typing import Final

from benchwatch.counter import Link
from benchwatch.errors import ReplyError, ReplyTimeout
from benchwatch.quantity import printable
from benchwatch_drivers.synchronised_query import IDENTITY_TIMEOUT_S, SynchronisedQuery

QUERY_TIMEOUT_S: Final = (0.2, 1.0)
"""An instrument that has not answered a question about its settings by then can't: this long
at least and at most, and in between 10 times as long as it took to say who it is."""
PROOF: Final = "*ESE?"
"""A question with another answer than ``*IDN?`` (IEEE 488.2 10.12); it changes nothing."""
ERRORS: Final = "SYST:ERR?"
ERROR_QUEUE_LIMIT: Final = 32
"""No queue is longer; an instrument that reports errors for ever must not hold us."""

_ERROR: Final = re.compile(r"([+-]?\d{1,6})(?:\s*,\s*(.*))?", re.ASCII)


class ScpiQuery(SynchronisedQuery):
    """Asks in SCPI, and reads out the error queue."""

    def __init__(self, link: Link) -> None:
        super().__init__(link, "*IDN?", QUERY_TIMEOUT_S[1])

    def query_identity(self) -> str:
        """Ask ``*IDN?``, and take from it how quick the instrument is; raises as `Link.query`."""
        asked_s = self.link.now()
        self.identity = self.link.query("*IDN?", IDENTITY_TIMEOUT_S)
        shortest_s, longest_s = QUERY_TIMEOUT_S
        took_s = self.link.now() - asked_s
        self.query_timeout_s = min(max(10 * took_s, shortest_s), longest_s)
        return self.identity

    def resynchronise(self, by_s: float = math.inf) -> list[tuple[int, str]]:
        """After a missed or odd answer: ask who is there until exactly that is answered.

        Args:
            by_s: When to leave it for the next time, monotonic seconds.

        Returns:
            What was in the error queue: (code, text). Nothing when nothing had slipped.

        Raises:
            LinkLost: it is not answered; only a new connection drops what may still come.
            ReplyTimeout: it is not answered yet, and it is `by_s`.
        """
        if not self._slipped:
            return []
        if not self._is_behind:
            self.link.discard_input()
        if not self.confirm_identity(by_s):
            raise self.link_lost(
                "no longer answers *IDN? as it did, so its readings can't be trusted"
            )
        answered_at_once = not self._asked_in_vain
        is_proved = self._answers_something_else() or answered_at_once
        self._slipped = False
        errors = self.drain_errors()
        if not (is_proved or ERRORS in self._answers):
            raise self.link_lost("missed an answer, and knows no question that shows it is in step")
        return errors

    def on_unanswered(self) -> None:
        """Clear away the error that the question caused."""
        self.resynchronise()

    def drain_errors(self) -> list[tuple[int, str]]:
        """Read out the error queue: (code, text as the counter put it)."""
        return [] if ERRORS in self._silent else list(self._errors())

    def _answers_something_else(self) -> bool:
        """Ask another question than who is there; True when another answer comes.

        Raises:
            LinkLost: the identity is what any question gets, so that answers come a question late.
        """
        if self._asked_in_vain:
            self.link.discard_input()  # the answers to these have come with the last one
            self._asked_in_vain = 0
        for question in (PROOF, *self._answers):
            if question in self._silent or question == ERRORS:
                continue
            self.link.write(question)
            try:
                is_identity = self.link.read(self.query_timeout_s) == self.identity
            except (ReplyTimeout, ReplyError):
                if question != PROOF:
                    break  # it was answered before: something is wrong still
                self._silent.add(PROOF)
                continue
            if is_identity:
                raise self.link_lost("answers one question late")
            return True
        return False

    def _errors(self) -> Iterator[tuple[int, str]]:
        for _ in range(ERROR_QUEUE_LIMIT):
            try:
                reply = self.query(ERRORS, self.query_timeout_s)
            except (ReplyTimeout, ReplyError):
                reply = ""
            match = _ERROR.fullmatch(reply.strip())
            if match is None:
                if ERRORS not in self._answers:
                    self._silent.add(ERRORS)
                return
            self._answers[ERRORS] = reply
            if int(match[1]) == 0:
                return
            yield int(match[1]), printable(reply.strip())
