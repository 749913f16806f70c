"""Keeps each answer with its own query, in any dialect.

A missed answer may still come, and would be taken for the answer to the next query, and so on for
ever. So after each missed answer the identity is queried until exactly that comes.
"""

import math
from collections import deque
from dataclasses import dataclass
from typing import Final

from benchwatch.counter import Link
from benchwatch.errors import LinkLost, ReplyError, ReplyTimeout
from benchwatch.quantity import printable

IDENTITY_TIMEOUT_S: Final = 2.0
LATEST_ANSWER_S: Final = 0.25
"""An answer comes at most so long after the end of its gate."""
LONGEST_UNREAD_S: Final = 0.5
"""After a longer time without a read it is unknown when an answer came."""
USUAL_ANSWERS: Final = 3
"""So many answers in a row, if they took equally long, give the usual time of an answer."""
EQUAL_SHARE: Final = 0.2
"""Fraction by which the times of these answers may differ."""
MOST_COPIES: Final = 3
"""After so many equal answers sooner than a gate, the counter is quicker than it reports."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a counter answered to the query for a reading.

    Attributes:
        text: The line.
        arrived_s: When it came, monotonic seconds.
        repeat: True when it may be a copy of the answer before, and no other answer came.
        waited: True when it waited to be read while this computer stood still; its time is worked
            out from the usual time of an answer.
    """

    text: str
    arrived_s: float
    repeat: bool = False
    waited: bool = False


class AnswerTimes:
    """How long the answers with a reading take, and which of them come too soon to be new.

    Attributes:
        newest: The newest answer.
    """

    def __init__(self) -> None:
        self.newest: str | None = None
        self._quickest_s = 0.0
        """The least time of an answer; a lower bound where the gate is unknown."""
        self._suspected_s: float | None = None
        """Time of an answer that was taken for a copy, until another answer comes after it."""
        self._awaited_s: deque[float] = deque(maxlen=USUAL_ANSWERS)
        """Times of the newest answers that were read as they came."""
        self._copies = 0
        """Answers in a row that equalled the one before and came sooner than a gate."""

    def limits(self, busy_s: float) -> tuple[float, float]:
        """Return the seconds below which an answer is too soon, and after which it is due."""
        if self._suspected_s is not None:
            self._quickest_s = min(self._quickest_s, self._suspected_s)
            self._suspected_s = None
        return 0.9 * busy_s or 0.5 * self._quickest_s, busy_s or self._quickest_s

    def clear_suspicion(self) -> None:
        """Note that another answer came after the one that was taken for a copy."""
        self._suspected_s = None

    def may_be_copy(self, text: str, took_s: float, soon_s: float, *, after_missed: bool) -> bool:
        """Return whether an answer came so soon that it may be an old one; count it if so."""
        if self._copies >= MOST_COPIES or took_s >= soon_s:
            return False
        if not (after_missed or text == self.newest):
            return False
        self._copies += 1
        return True

    def suspect(self, took_s: float) -> None:
        """Note that no other answer came after one that was taken for a copy."""
        self._suspected_s = took_s

    def accept(self, text: str, took_s: float, soon_s: float) -> None:
        """Update the times by an answer that is used."""
        if self._copies < MOST_COPIES:
            is_quick = took_s < soon_s and self.newest is not None
            self._copies = MOST_COPIES if is_quick else 0
        self._quickest_s = min(self._quickest_s, took_s) if self.newest else took_s
        self.newest = text

    def add_awaited(self, took_s: float) -> None:
        """Update the usual time by an answer that was read as it came."""
        self._awaited_s.append(took_s)

    def usual_s(self) -> float | None:
        """Return the usual time of an answer, in seconds; None where it is not known."""
        usual_s = min(self._awaited_s, default=0.0)
        if (
            len(self._awaited_s) < USUAL_ANSWERS
            or max(self._awaited_s) - usual_s > EQUAL_SHARE * usual_s
        ):
            return None
        return usual_s


class SynchronisedQuery:
    """Sends queries through a link, and notes which are answered and when answers may be shifted.

    Attributes:
        identity: The answer that proves that queries and answers belong together.
        query_timeout_s: How long an answer about a setting may take.
        busy_s: How long a busy counter may delay an answer, such as its gate.
    """

    def __init__(self, link: Link, identity_query: str | None, query_timeout_s: float) -> None:
        self.link = link
        self.identity: str | None = None
        self.query_timeout_s = query_timeout_s
        self.busy_s = 0.0
        self._identity_query = identity_query
        self._answers: dict[str, str] = {}
        """Queries of settings, and the newest answer to each."""
        self._unanswered: set[str] = set()
        """Queries that were never answered."""
        self._is_doubtful = False
        """True when an answer was missed or odd: the next one may belong to another query."""
        self._is_answer_pending = False
        """True when the answer to a query did not come, and still may."""
        self._reading_missed = False
        """True when an answer did not come, until a reading is queried."""
        self._open_identity_queries = 0
        """Queries of the identity whose answers may still come."""
        self._is_behind_copy = False
        """True when the answer after a second copy may still come."""
        self._dropped_late = False
        """True when that answer came too late and was dropped."""
        self._times = AnswerTimes()

    def query(self, question: str, timeout_s: float) -> str:
        """Send a query that the counter must answer; raises as `Link.query`.

        Raises:
            LinkLost: the answer is the identity instead, so answers are one query late.
            ReplyError: also where it is unknown when the answer came.
        """
        answer = self._answer(question, timeout_s)
        if self.link.unpolled_s > LONGEST_UNREAD_S:
            raise self._unknown_time_error()
        return answer

    def _unknown_time_error(self) -> ReplyError:
        self._is_doubtful = True
        return ReplyError(
            f"this computer stood still for {self.link.unpolled_s:.3g} s, so nobody knows when "
            "the counter answered; it was not used."
        )

    def _answer(self, question: str, timeout_s: float) -> str:
        """Send a query; raises as `query`, but not where it is unknown when the answer came."""
        try:
            answer = self.link.query(question, timeout_s)
        except (ReplyTimeout, ReplyError) as error:
            self._is_doubtful = True
            self._is_answer_pending = self._reading_missed = isinstance(error, ReplyTimeout)
            raise
        if self.identity is not None and answer == self.identity:
            raise self.link_lost("answers one question late")
        return answer

    def query_reading(self, question: str, timeout_s: float) -> Answer:
        """Query a reading, which takes the gate; raises as `Link.query`.

        An answer that comes too soon and equals the one before is a second copy of it, and the
        answer to this query is still to come. One that comes too soon after a missed answer is the
        missed one. If no other answer comes, the counter is quicker than before, or than its gate,
        and has measured the same again; after `MOST_COPIES` of these, such answers are used.

        Raises:
            ReplyError: the answer to the query before came too late, and was dropped.
        """
        self.resynchronise()
        after_missed, self._reading_missed = self._reading_missed, False
        if self._dropped_late:
            self._dropped_late = False
            self._times.clear_suspicion()
            raise ReplyError("a reading came too late, behind one said twice. It was not used.")
        soon_s, due_s = self._times.limits(self.busy_s)
        asked_s = self.link.now()
        answer = self._dated(self._answer(question, timeout_s), asked_s)
        while self._times.may_be_copy(
            answer.text, answer.arrived_s - asked_s, soon_s, after_missed=after_missed
        ):
            after_missed = False
            try:
                text = self._read_after_copy(asked_s + due_s + LATEST_ANSWER_S - self.link.now())
            except ReplyTimeout:
                self._is_behind_copy = True
                self._times.suspect(answer.arrived_s - asked_s)
                return Answer(text=answer.text, arrived_s=answer.arrived_s, repeat=True)
            answer = Answer(text=text, arrived_s=self.link.now())
        self._times.accept(answer.text, answer.arrived_s - asked_s, soon_s)
        return answer

    def _dated(self, text: str, asked_s: float) -> Answer:
        """Return an answer with its time; for one that waited, the usual time is assumed.

        Raises:
            ReplyError: the time is unknown; or the answer may be a copy of the one before.
        """
        link = self.link
        if link.unpolled_s <= LONGEST_UNREAD_S:
            self._times.add_awaited(link.now() - asked_s)
            return Answer(text=text, arrived_s=link.now())
        usual_s = self._times.usual_s()
        if usual_s is None or text == self._times.newest:
            raise self._unknown_time_error()
        came_s, slack_s = asked_s + usual_s, EQUAL_SHARE * usual_s
        if not link.fetched_s - link.unpolled_s - slack_s <= came_s <= link.fetched_s:
            raise self._unknown_time_error()
        return Answer(text=text, arrived_s=came_s, waited=True)

    def mark_unsynchronised(self) -> None:
        """Note that an answer was odd enough to belong to another query."""
        self._is_doubtful = True

    def clear_unanswered(self) -> None:
        """Allow unanswered queries again: they were answered on an earlier connection."""
        self._unanswered.clear()

    def query_setting(self, question: str) -> str | None:
        """Query a setting; None where the counter never answers that, and it is not sent again.

        Raises:
            ReplyTimeout: the counter answered this before, and now does not.
        """
        if question in self._unanswered:
            return None
        self.resynchronise()
        try:
            answer = self.query(question, self.query_timeout_s)
            if answer == self._times.newest:  # a second copy of the reading
                answer = self._read_after_copy(self.query_timeout_s)
        except (ReplyTimeout, ReplyError):
            if question in self._answers:
                raise
            self._unanswered.add(question)
            self.on_unanswered()
            return None
        self._answers[question] = answer
        return answer

    def resynchronise(self) -> object:
        """Make sure, after a missed or odd answer, that no answer is still to come.

        Raises:
            LinkLost: that can't be proved; only a new connection drops what may still come.
        """
        raise NotImplementedError

    def on_unanswered(self) -> None:
        """Clean up after a query that the counter does not know."""

    def confirm_identity(self, by_s: float = math.inf) -> bool:
        """Query the identity up to twice, and skip lines until exactly that comes.

        Raises:
            ReplyTimeout: `by_s` is reached, and the identity may still come.
        """
        for _ in range(2):
            if self._await_identity(by_s):
                return True
            if self.link.now() >= by_s:
                raise ReplyTimeout("no reply when asked who is there. Check the counter's cable.")
        return False

    def link_lost(self, why: str) -> LinkLost:
        """Return the error for a connection that can't be trusted any more."""
        return LinkLost(f"the counter {why}. {printable(self.link.resource)} is opened again.")

    def _note_late_line(self) -> None:
        """Note a line that came too late; after a copy it was the answer with the reading."""
        self._dropped_late = self._dropped_late or self._is_behind_copy
        self._is_behind_copy = False

    def _read_after_copy(self, timeout_s: float) -> str:
        """Wait for the answer after a second copy; raises as `Link.read`."""
        try:
            return self.link.read(timeout_s)
        except (ReplyTimeout, ReplyError):
            self._is_doubtful = True
            raise

    def _await_identity(self, by_s: float) -> bool:
        assert self._identity_query is not None
        self.link.write(self._identity_query)
        deadline = min(self.link.now() + IDENTITY_TIMEOUT_S + self.busy_s, by_s)
        while (left_s := deadline - self.link.now()) > 0:
            try:
                if self.link.read(left_s) == self.identity:
                    self._is_behind_copy = False
                    return True
                self._note_late_line()
            except ReplyTimeout:
                break
            except ReplyError:
                continue
        self._open_identity_queries += 1
        return False
