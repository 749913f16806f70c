"""What keeps question and answer together, in any dialect.

A missed answer may still come, and would be taken for the answer to the next question, for
ever one behind. So after each the counter is asked who it is until exactly that comes.
"""

from typing import Final

from benchwatch.counter import Link
from benchwatch.errors import LinkLost, ReplyError, ReplyTimeout
from benchwatch.quantity import printable

IDENTITY_TIMEOUT_S: Final = 2.0


class InStep:
    """Asks through a link; knows what is answered and what is not, and when step may be lost.

    Attributes:
        identity: The answer that proves that question and answer belong together.
        query_timeout_s: How long an answer about a setting may take.
        patience_s: How much longer than usual the counter may be busy, such as its gate.
    """

    def __init__(self, link: Link, identity_query: str | None, query_timeout_s: float) -> None:
        self.link = link
        self.identity: str | None = None
        self.query_timeout_s = query_timeout_s
        self.patience_s = 0.0
        self._identity_query = identity_query
        self._answered: set[str] = set()
        self._silent: set[str] = set()
        """Questions that were answered before, and those that never were."""
        self._slipped = False

    def ask(self, question: str, timeout_s: float) -> str:
        """Ask what the counter must answer; raises as `Link.ask`."""
        try:
            return self.link.ask(question, timeout_s)
        except (ReplyTimeout, ReplyError):
            self._slipped = True
            raise

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
        self.back_in_step()
        try:
            answer = self.ask(question, self.query_timeout_s)
        except (ReplyTimeout, ReplyError):
            if question in self._answered:
                raise
            self._silent.add(question)
            self.found_silent()
            return None
        self._answered.add(question)
        return answer

    def back_in_step(self) -> object:
        """After a missed or odd answer: make sure that none is still to come.

        Raises:
            LinkLost: that can't be had; only a new connection drops what may still come.
        """
        raise NotImplementedError

    def found_silent(self) -> None:
        """A question has just turned out to be one that this counter does not know."""

    def says_who_it_is(self) -> bool:
        """Ask twice at most who is there, and skip lines until exactly that comes."""
        return any(self._identity_comes() for _ in range(2))

    def lost(self, why: str) -> LinkLost:
        """Return the error for a connection that can't be trusted any more."""
        return LinkLost(f"the counter {why}. {printable(self.link.resource)} is opened again.")

    def _identity_comes(self) -> bool:
        assert self._identity_query is not None
        self.link.tell(self._identity_query)
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
