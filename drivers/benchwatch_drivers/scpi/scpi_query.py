"""Queries in SCPI, kept synchronised with their answers, and the error queue."""

import math
import re
from collections.abc import Iterator
from typing import Final

from benchwatch.counter import Link
from benchwatch.errors import ReplyError, ReplyTimeout
from benchwatch.quantity import printable
from benchwatch_drivers.synchronised_query import IDENTITY_TIMEOUT_S, SynchronisedQuery

QUERY_TIMEOUT_S: Final = (0.2, 1.0)
"""Least and greatest timeout of a query of a setting; between them it is 10 times the time that the
answer to ``*IDN?`` took. An instrument that has not answered by then does not know the query."""
PROOF_QUERY: Final = "*ESE?"
"""A query whose answer differs from that of ``*IDN?`` (IEEE 488.2 10.12); it changes nothing."""
ERROR_QUERY: Final = "SYST:ERR?"
ERROR_QUEUE_LIMIT: Final = 32
"""No queue is longer; some instruments report errors without end."""

_ERROR: Final = re.compile(r"([+-]?\d{1,6})(?:\s*,\s*(.*))?", re.ASCII)


class ScpiQuery(SynchronisedQuery):
    """Sends queries in SCPI, and reads out the error queue."""

    def __init__(self, link: Link) -> None:
        super().__init__(link, "*IDN?", QUERY_TIMEOUT_S[1])

    def query_identity(self) -> str:
        """Query ``*IDN?``, and derive the timeout of other queries; raises as `Link.query`."""
        asked_s = self.link.now()
        self.identity = self.link.query("*IDN?", IDENTITY_TIMEOUT_S)
        shortest_s, longest_s = QUERY_TIMEOUT_S
        took_s = self.link.now() - asked_s
        self.query_timeout_s = min(max(10 * took_s, shortest_s), longest_s)
        return self.identity

    def resynchronise(self, by_s: float = math.inf) -> list[tuple[int, str]]:
        """Query the identity, after a missed or odd answer, until exactly that is answered.

        Args:
            by_s: When to stop and continue at the next call, monotonic seconds.

        Returns:
            The contents of the error queue: (code, text). Empty when no answer was in doubt.

        Raises:
            LinkLost: the identity does not come; only a new connection drops late answers.
            ReplyTimeout: the identity does not come by `by_s`.
        """
        if not self._is_doubtful:
            return []
        if not self._is_behind_copy:
            self.link.discard_input()
        if not self.confirm_identity(by_s):
            raise self.link_lost(
                "no longer answers *IDN? as it did, so its readings can't be trusted"
            )
        answered_at_once = not self._open_identity_queries
        is_proved = self._answers_something_else() or answered_at_once
        self._is_doubtful = False
        errors = self.drain_errors()
        if not (is_proved or ERROR_QUERY in self._answers):
            raise self.link_lost("missed an answer, and knows no question that shows it is in step")
        return errors

    def on_unanswered(self) -> None:
        """Read out the error that the unknown query caused."""
        self.resynchronise()

    def drain_errors(self) -> list[tuple[int, str]]:
        """Read out the error queue: (code, text of the counter)."""
        return [] if ERROR_QUERY in self._unanswered else list(self._errors())

    def _answers_something_else(self) -> bool:
        """Send a query other than that of the identity; return whether another answer comes.

        Raises:
            LinkLost: the answer is the identity, so answers come one query late.
        """
        if self._open_identity_queries:
            self.link.discard_input()  # the answers to these have come with the last one
            self._open_identity_queries = 0
        for question in (PROOF_QUERY, *self._answers):
            if question in self._unanswered or question == ERROR_QUERY:
                continue
            self.link.write(question)
            try:
                is_identity = self.link.read(self.query_timeout_s) == self.identity
            except (ReplyTimeout, ReplyError):
                if question != PROOF_QUERY:
                    break  # it was answered before, so something is still wrong
                self._unanswered.add(PROOF_QUERY)
                continue
            if is_identity:
                raise self.link_lost("answers one question late")
            return True
        return False

    def _errors(self) -> Iterator[tuple[int, str]]:
        for _ in range(ERROR_QUEUE_LIMIT):
            try:
                reply = self.query(ERROR_QUERY, self.query_timeout_s)
            except (ReplyTimeout, ReplyError):
                reply = ""
            match = _ERROR.fullmatch(reply.strip())
            if match is None:
                if ERROR_QUERY not in self._answers:
                    self._unanswered.add(ERROR_QUERY)
                return
            self._answers[ERROR_QUERY] = reply
            if int(match[1]) == 0:
                return
            yield int(match[1]), printable(reply.strip())
