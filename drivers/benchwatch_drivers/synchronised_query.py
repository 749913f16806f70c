"""What keeps question and answer together, in any dialect.

A missed answer may still come, and would be taken for the answer to the next question, for
ever one behind. So after each the counter is asked who it is until exactly that comes.
"""

import math
from collections import deque
from dataclasses import dataclass
from typing import Final

from benchwatch.counter import Link
from benchwatch.errors import LinkLost, ReplyError, ReplyTimeout
from benchwatch.quantity import printable

IDENTITY_TIMEOUT_S: Final = 2.0
LATE_S: Final = 0.25
"""An answer that is still to come is there so long after the end of its gate."""
STOOD_STILL_S: Final = 0.5
"""Nobody knows when an answer came for which nobody looked for longer than this."""
USUAL: Final = 3
"""So many answers in a row tell how long one takes, where they took equally long."""
EQUALLY: Final = 0.2
"""Part by which these may differ."""
COPIES: Final = 3
"""After so many equal answers sooner than a gate the counter is quicker than it says."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a counter answered when it was asked for a reading.

    Attributes:
        text: Its words.
        arrived_s: When they came, monotonic seconds.
        repeat: It may be the answer before, said twice; no other one came.
        waited: It waited while this computer stood still; its time is worked out from how long
            the counter takes.
    """

    text: str
    arrived_s: float
    repeat: bool = False
    waited: bool = False


class SynchronisedQuery:
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
        self.busy_s = 0.0
        self._identity_query = identity_query
        self._answers: dict[str, str] = {}
        """Questions about settings, and the newest answer to each."""
        self._silent: set[str] = set()
        """Questions that were never answered."""
        self._slipped = False
        self._is_owed = False
        """The answer to a question did not come, and may still."""
        self._has_missed = False
        """Likewise, and since then no reading was asked for."""
        self._asked_in_vain = 0
        """Questions who is there whose answers may still come."""
        self._is_behind = self._passed_over = False
        """An answer behind one said twice may still come; it came too late to be used."""
        self._newest: str | None = None
        """The newest answer of `query_reading`."""
        self._quickest_s = 0.0
        """The least time it took to come; tells more than nothing where the gate is unknown."""
        self._suspected_s: float | None = None
        """How long an answer took that was held for a copy, while none has come behind it."""
        self._took_s: deque[float] = deque(maxlen=USUAL)
        """How long the newest answers of `query_reading` took that were heard as they came."""
        self._copies = 0
        """Answers in a row that equalled the one before and came sooner than a gate."""

    def query(self, question: str, timeout_s: float) -> str:
        """Ask what the counter must answer; raises as `Link.query`.

        Raises:
            LinkLost: it says who it is instead, so it is one answer behind, and stays so.
            ReplyError: also where nobody knows when it answered.
        """
        answer = self._answer(question, timeout_s)
        if self.link.unpolled_s > STOOD_STILL_S:
            raise self._stood_still()
        return answer

    def _stood_still(self) -> ReplyError:
        self._slipped = True
        return ReplyError(
            f"this computer stood still for {self.link.unpolled_s:.3g} s, so nobody knows when "
            "the counter answered; it was not used."
        )

    def _answer(self, question: str, timeout_s: float) -> str:
        """Ask; raises as `query`, but not where nobody knows when it was answered."""
        try:
            answer = self.link.query(question, timeout_s)
        except (ReplyTimeout, ReplyError) as error:
            self._slipped = True
            self._is_owed = self._has_missed = isinstance(error, ReplyTimeout)
            raise
        if self.identity is not None and answer == self.identity:
            raise self.link_lost("answers one question late")
        return answer

    def query_reading(self, question: str, timeout_s: float) -> Answer:
        """Ask for a reading that takes the gate; raises as `Link.query`.

        An answer that comes too soon and equals the one before was said twice, and the answer to
        this question is still to come. So it is with one that comes too soon after a missed answer:
        that is the missed one. If no other comes, the counter is quicker than it was before and has
        measured the same again, or quicker than its gate: that is believed after a few.

        Raises:
            ReplyError: the answer to the last question came after all, and was not used.
        """
        self.resynchronise()
        has_missed, self._has_missed = self._has_missed, False
        suspected_s, self._suspected_s = self._suspected_s, None
        if self._passed_over:
            self._passed_over = False
            raise ReplyError("a reading came too late, behind one said twice. It was not used.")
        if suspected_s is not None:
            self._quickest_s = min(self._quickest_s, suspected_s)
        asked_s = self.link.now()
        due_s = asked_s + (self.busy_s or self._quickest_s)
        soon_s = asked_s + (0.9 * self.busy_s or 0.5 * self._quickest_s)
        answer = self._dated(self._answer(question, timeout_s), asked_s)
        while (
            self._copies < COPIES
            and answer.arrived_s < soon_s
            and (has_missed or answer.text == self._newest)
        ):
            has_missed = False
            self._copies += 1
            try:
                text = self._hear_on(due_s + LATE_S - self.link.now())
            except ReplyTimeout:
                self._is_behind = True
                self._suspected_s = answer.arrived_s - asked_s
                return Answer(text=answer.text, arrived_s=answer.arrived_s, repeat=True)
            answer = Answer(text=text, arrived_s=self.link.now())
        if self._copies < COPIES:
            is_quick = answer.arrived_s < soon_s and self._newest is not None
            self._copies = COPIES if is_quick else 0
        took_s = answer.arrived_s - asked_s
        self._quickest_s = min(self._quickest_s, took_s) if self._newest else took_s
        self._newest = answer.text
        return answer

    def _dated(self, text: str, asked_s: float) -> Answer:
        """Say when an answer came; one that waited took as long as the others.

        Raises:
            ReplyError: nobody knows; or it equals the one before and may be that, said twice.
        """
        link = self.link
        if link.unpolled_s <= STOOD_STILL_S:
            self._took_s.append(link.now() - asked_s)
            return Answer(text=text, arrived_s=link.now())
        usual_s = min(self._took_s, default=0.0)
        came_s, slack_s = asked_s + usual_s, EQUALLY * usual_s
        if (
            len(self._took_s) < USUAL
            or max(self._took_s) - usual_s > slack_s
            or text == self._newest
            or not link.fetched_s - link.unpolled_s - slack_s <= came_s <= link.fetched_s
        ):
            raise self._stood_still()
        return Answer(text=text, arrived_s=came_s, waited=True)

    def mark_unsynchronised(self) -> None:
        """Note that an answer was odd enough to be the answer to something else."""
        self._slipped = True

    def forget_unanswered(self) -> None:
        """Ask again what was not answered: it was answered on an earlier connection."""
        self._silent.clear()

    def query_setting(self, question: str) -> str | None:
        """Ask about a setting; a counter that has never answered is not asked again.

        Raises:
            ReplyTimeout: it answered this before, and now does not.
        """
        if question in self._silent:
            return None
        self.resynchronise()
        try:
            answer = self.query(question, self.query_timeout_s)
            if answer == self._newest:  # the reading, said twice
                answer = self._hear_on(self.query_timeout_s)
        except (ReplyTimeout, ReplyError):
            if question in self._answers:
                raise
            self._silent.add(question)
            self.on_unanswered()
            return None
        self._answers[question] = answer
        return answer

    def resynchronise(self) -> object:
        """After a missed or odd answer: make sure that none is still to come.

        Raises:
            LinkLost: that can't be had; only a new connection drops what may still come.
        """
        raise NotImplementedError

    def on_unanswered(self) -> None:
        """A question has just turned out to be one that this counter does not know."""

    def confirm_identity(self, by_s: float = math.inf) -> bool:
        """Ask twice at most who is there, and skip lines until exactly that comes.

        Raises:
            ReplyTimeout: it is `by_s`, and more patience might still help.
        """
        for _ in range(2):
            if self._identity_comes(by_s):
                return True
            if self.link.now() >= by_s:
                raise ReplyTimeout("no reply when asked who is there. Check the counter's cable.")
        return False

    def link_lost(self, why: str) -> LinkLost:
        """Return the error for a connection that can't be trusted any more."""
        return LinkLost(f"the counter {why}. {printable(self.link.resource)} is opened again.")

    def _pass_over(self) -> None:
        """Note a line that came too late; one behind a copy was the answer that counts."""
        self._passed_over = self._passed_over or self._is_behind
        self._is_behind = False

    def _hear_on(self, timeout_s: float) -> str:
        """Wait for the answer behind one that was said twice; raises as `Link.read`."""
        try:
            return self.link.read(timeout_s)
        except (ReplyTimeout, ReplyError):
            self._slipped = True
            raise

    def _identity_comes(self, by_s: float) -> bool:
        assert self._identity_query is not None
        self.link.write(self._identity_query)
        deadline = min(self.link.now() + IDENTITY_TIMEOUT_S + self.busy_s, by_s)
        while (left_s := deadline - self.link.now()) > 0:
            try:
                if self.link.read(left_s) == self.identity:
                    self._is_behind = False
                    return True
                self._pass_over()
            except ReplyTimeout:
                break
            except ReplyError:
                continue
        self._asked_in_vain += 1
        return False
