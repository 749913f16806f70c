"""What a keeper is asked, and for how long its answers are waited for. Pure."""

import math
from collections.abc import Iterable
from typing import Final

from benchwatch.relay.batch import MOST_EVENTS, Question
from benchwatch.relay.station import transfer_times as times

NO_ANSWER: Final = "the keeper does not answer"


class KeeperQuestions:
    """One question at a time; all times are monotonic seconds."""

    def __init__(self) -> None:
        self.is_unanswered = False
        """Whether an answer is missing, and none has come since."""
        self.patience_s = times.PATIENCE_S
        """How long an answer is waited for."""
        self.again_s = math.inf
        """When the keeper is asked for everything anew."""
        self._asked: set[int | str] = set()
        self._asked_s: float | None = None

    def begin(self, now_s: float) -> None:
        """Take that everything is asked anew."""
        self.patience_s, self._asked_s = times.PATIENCE_S, None
        self.again_s = now_s + times.ASK_AGAIN_S

    def give_up(self) -> None:
        """Take that no answer will come: there is no connection."""
        self._asked_s = None
        self.is_unanswered = False

    def answered(self, names: Iterable[int | str]) -> None:
        """Take an answer that says of these runs and chains how far the record has them."""
        self.patience_s, self.is_unanswered = times.PATIENCE_S, False
        self._asked.difference_update(names)
        if not self._asked:
            self._asked_s = None

    def lose_patience(self) -> None:
        """Take that an answer has not come: the next one is waited for a little longer."""
        self.patience_s = min(self.patience_s + 0.5, times.LONGEST_PATIENCE_S)
        self.is_unanswered = True

    def expire(self, now_s: float) -> None:
        """Give a question up that was not answered for too long."""
        if now_s >= self.due_s:
            self.lose_patience()
            self._asked_s = None

    @property
    def due_s(self) -> float:
        """Return until when an answer to the question is waited for; infinity: none is asked."""
        return math.inf if self._asked_s is None else self._asked_s + self.patience_s

    def ask(self, names: Iterable[int | str], now_s: float) -> Question | None:
        """Return the question how far the record has these; None: there are none, or one waits."""
        if self._asked_s is not None:
            return None
        some = list(dict.fromkeys(names))[:MOST_EVENTS]
        if not some:
            return None
        self._asked, self._asked_s = set(some), now_s
        return Question(
            tuple(name for name in some if isinstance(name, int)),
            tuple(name for name in some if isinstance(name, str)),
        )
