"""Question and answer by a profile, kept in step.

A missed answer may still come, and would be taken for the answer to the next question, for
ever one behind. So after each the counter is asked who it is until exactly that comes; one
without a name is listened to until it has been silent for as long as the answer was due.
"""

from typing import Final

from benchwatch.counter import Link
from benchwatch.errors import LinkLost, ReplyError, ReplyTimeout
from benchwatch.quantity import printable

QUERY_TIMEOUT_S: Final = 1.0
ANSWERS_DROPPED: Final = 32
"""More late answers than this, and it talks by itself."""


class Steps:
    """Asks through a link by what a profile says.

    Attributes:
        identity: The answer that proves that question and answer belong together.
        patience_s: How long the counter may be busy, such as its gate.
    """

    def __init__(self, link: Link, identity_query: str | None) -> None:
        self.link = link
        self.identity: str | None = None
        self.patience_s = 0.0
        self._identity_query = identity_query
        self._silent: set[str] = set()
        """Questions that were never answered."""
        self._answered: set[str] = set()
        self._slipped = False

    def introduce(self) -> str | None:
        """Ask who is there; None when the profile has no question for that."""
        if self._identity_query is not None:
            self.identity = self.link.ask(self._identity_query, 2 * QUERY_TIMEOUT_S)
        return self.identity

    def ask(self, question: str, timeout_s: float) -> str:
        """Ask what the counter must answer; raises as `Link.ask`.

        Raises:
            LinkLost: it says who it is instead, so it is one answer behind, and stays so.
        """
        self.back_in_step()
        try:
            answer = self.link.ask(question, timeout_s)
        except (ReplyTimeout, ReplyError):
            self._slipped = True
            raise
        if self.identity is not None and answer == self.identity:
            raise LinkLost(
                f"the counter answers one question late. {printable(self.link.resource)} is "
                "opened again."
            )
        return answer

    def hear(self, timeout_s: float) -> str:
        """Wait for a line that nobody asked for; raises as `Link.hear`."""
        return self.link.hear(timeout_s)

    def distrust(self) -> None:
        """Note that an answer was odd enough to be the answer to something else."""
        self._slipped = True

    def optional(self, question: str) -> str | None:
        """Ask about a setting; a counter that has never answered is not asked again.

        Raises:
            ReplyTimeout: it answered this before, and now does not.
        """
        if question in self._silent:
            return None
        try:
            answer = self.ask(question, QUERY_TIMEOUT_S)
        except (ReplyTimeout, ReplyError):
            if question in self._answered:
                raise
            self._silent.add(question)
            return None
        self._answered.add(question)
        return answer

    def back_in_step(self) -> None:
        """After a missed or odd answer: make sure that none is still to come.

        Raises:
            LinkLost: the counter does not say who it is; a new connection drops what may come.
        """
        if not self._slipped:
            return
        self.link.resync()
        if self.identity is None:
            self._listen_until_silent()
        elif not any(self._identity_comes() for _ in range(2)):
            raise LinkLost(
                "the counter no longer says who it is as it did, so its readings can't be "
                f"trusted. {printable(self.link.resource)} is opened again."
            )
        self._slipped = False

    def _listen_until_silent(self) -> None:
        for _ in range(ANSWERS_DROPPED):
            try:
                self.link.hear(max(self.patience_s, QUERY_TIMEOUT_S))
            except ReplyTimeout:
                return
            except ReplyError:
                continue
        raise LinkLost(
            "the counter talks without being asked. "
            f"Is {printable(self.link.resource)} a talk-only counter? Its profile says otherwise."
        )

    def _identity_comes(self) -> bool:
        assert self._identity_query is not None
        self.link.tell(self._identity_query)
        deadline = self.link.now() + 2 * QUERY_TIMEOUT_S + self.patience_s
        while (left_s := deadline - self.link.now()) > 0:
            try:
                if self.link.hear(left_s) == self.identity:
                    return True
            except ReplyTimeout:
                return False
            except ReplyError:
                continue
        return False
