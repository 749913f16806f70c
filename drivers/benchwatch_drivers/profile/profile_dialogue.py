"""Question and answer by a profile, kept in step.

A counter that can't be asked who it is is listened to after a missed answer, until it has been
silent for as long as the answer was due. Where the missed one has not come by then, it must answer
something whose answer is known, such as its gate; one that knows nothing of the kind is opened
again, for only that drops what may still come.
"""

from typing import Final

from benchwatch.counter import Link
from benchwatch.errors import LinkLost, ReplyError, ReplyTimeout
from benchwatch.quantity import printable
from benchwatch_drivers.synchronised_query import IDENTITY_TIMEOUT_S, SynchronisedQuery

QUERY_TIMEOUT_S: Final = 1.0
ANSWERS_DROPPED: Final = 32
"""More late answers than this, and it talks by itself."""


class Steps(SynchronisedQuery):
    """Asks by what a profile says."""

    def __init__(self, link: Link, identity_query: str | None) -> None:
        super().__init__(link, identity_query, QUERY_TIMEOUT_S)

    def query_identity(self) -> str | None:
        """Ask who is there; None when the profile has no question for that."""
        if self._identity_query is not None:
            self.identity = self.link.query(self._identity_query, IDENTITY_TIMEOUT_S)
        return self.identity

    def query(self, question: str, timeout_s: float) -> str:
        """Ask what the counter must answer; raises as `Link.query`.

        Raises:
            LinkLost: it says who it is instead, so it is one answer behind, and stays so.
        """
        self.resynchronise()
        return super().query(question, timeout_s)

    def read(self, timeout_s: float) -> str:
        """Wait for a line that nobody asked for; raises as `Link.read`."""
        return self.link.read(timeout_s)

    def resynchronise(self) -> None:
        """After a missed or odd answer: make sure that none is still to come.

        Raises:
            LinkLost: the counter shows nothing that proves it; a new connection drops what may
                come.
        """
        if not self._slipped:
            return
        if not self._is_behind:
            self.link.discard_input()
        if self.identity is None:
            has_come = self._listen_until_silent()
            if self._is_owed and not has_come:
                self._repeat_an_answer()
        elif not self.confirm_identity():
            raise self.link_lost(
                "no longer says who it is as it did, so its readings can't be trusted"
            )
        self._slipped = self._is_owed = False

    def _repeat_an_answer(self) -> None:
        """Ask again what was answered before; the same answer shows that none is behind."""
        for question, known in self._answers.items():
            self.link.write(question)
            try:
                if self.link.read(self.query_timeout_s) == known:
                    return
            except (ReplyTimeout, ReplyError):
                break
        raise self.link_lost("missed an answer, and does not show that it is in step again")

    def _listen_until_silent(self) -> bool:
        """Drop what still comes; tell whether anything did."""
        for dropped in range(ANSWERS_DROPPED):
            try:
                self.link.read(max(self.busy_s, QUERY_TIMEOUT_S))
                self._pass_over()
            except ReplyTimeout:
                self._is_behind = False
                return dropped > 0
            except ReplyError:
                continue
        raise LinkLost(
            "the counter talks without being asked. "
            f"Is {printable(self.link.resource)} a talk-only counter? Its profile says otherwise."
        )
