"""Queries by a profile, kept synchronised with their answers.

Some counters have no query for their identity. After a missed answer such a counter is read until
it has been silent for as long as an answer may take. If the missed answer has not come by then, a
query whose answer is known, such as the gate, must give that answer. Without such a query the link
is opened again, which drops what may still come.
"""

from typing import Final

from benchwatch.counter import Link
from benchwatch.errors import LinkLost, ReplyError, ReplyTimeout
from benchwatch.quantity import printable
from benchwatch_drivers.synchronised_query import IDENTITY_TIMEOUT_S, SynchronisedQuery

QUERY_TIMEOUT_S: Final = 1.0
MOST_ANSWERS_DROPPED: Final = 32
"""With more late answers than this, the counter sends lines without a query."""


class ProfileQuery(SynchronisedQuery):
    """Sends the queries of a profile."""

    def __init__(self, link: Link, identity_query: str | None) -> None:
        super().__init__(link, identity_query, QUERY_TIMEOUT_S)

    def query_identity(self) -> str | None:
        """Query the identity; None when the profile has no query for it."""
        if self._identity_query is not None:
            self.identity = self.link.query(self._identity_query, IDENTITY_TIMEOUT_S)
        return self.identity

    def query(self, question: str, timeout_s: float) -> str:
        """Send a query that the counter must answer; raises as `Link.query`.

        Raises:
            LinkLost: the answer is the identity instead, so answers are one query late.
        """
        self.resynchronise()
        return super().query(question, timeout_s)

    def read(self, timeout_s: float) -> str:
        """Wait for a line without a query; raises as `Link.read`."""
        return self.link.read(timeout_s)

    def resynchronise(self) -> None:
        """Make sure, after a missed or odd answer, that no answer is still to come.

        Raises:
            LinkLost: that can't be proved; only a new connection drops what may still come.
        """
        if not self._is_doubtful:
            return
        if not self._is_behind_copy:
            self.link.discard_input()
        if self.identity is None:
            has_come = self._listen_until_silent()
            if self._is_answer_pending and not has_come:
                self._repeat_an_answer()
        elif not self.confirm_identity():
            raise self.link_lost(
                "no longer says who it is as it did, so its readings can't be trusted"
            )
        self._is_doubtful = self._is_answer_pending = False

    def _repeat_an_answer(self) -> None:
        """Repeat a query that was answered before; the same answer proves synchronisation."""
        for question, known in self._answers.items():
            self.link.write(question)
            try:
                if self.link.read(self.query_timeout_s) == known:
                    return
            except (ReplyTimeout, ReplyError):
                break
        raise self.link_lost("missed an answer, and does not show that it is in step again")

    def _listen_until_silent(self) -> bool:
        """Drop lines until none comes; return whether any came."""
        for dropped in range(MOST_ANSWERS_DROPPED):
            try:
                self.link.read(max(self.busy_s, QUERY_TIMEOUT_S))
                self._note_late_line()
            except ReplyTimeout:
                self._is_behind_copy = False
                return dropped > 0
            except ReplyError:
                continue
        raise LinkLost(
            "the counter talks without being asked. "
            f"Is {printable(self.link.resource)} a talk-only counter? Its profile says otherwise."
        )
