"""What the connection tells is taken by the thread that sends, whatever it was told in between."""

from typing import Any

import pytest

from benchwatch.relay.answers import Answer, encode_answer
from benchwatch.relay.station.broker_news import MOST_ANSWERS, BrokerNews


class Taken:
    """Stands in for what sends, and notes what it is given."""

    def __init__(self) -> None:
        self.given: list[tuple[str, Any]] = []

    def connected(self, _now_s: float) -> None:
        """Note it."""
        self.given.append(("connected", None))

    def lost(self, why: str) -> None:
        """Note it."""
        self.given.append(("lost", why))

    def ask_anew(self, _now_s: float) -> None:
        """Note it."""
        self.given.append(("ask anew", None))

    def answered(self, answer: Answer, _now_s: float) -> None:
        """Note it."""
        self.given.append(("answered", answer.runs))


def taken(news: BrokerNews) -> list[tuple[str, Any]]:
    """Return what is given at the next moment."""
    found = Taken()
    news.give_to(found, 7.0)  # type: ignore[arg-type]
    return found.given


def answer(number: int) -> bytes:
    """Return an answer of a keeper."""
    return encode_answer(Answer(((1, number),)))


@pytest.mark.parametrize("happened", ["connected", "lost", "keeper_takes"])
def test_no_number_of_answers_crowds_out_what_happened_to_the_link(happened: str) -> None:
    """Else a station would send into a connection that is gone, or hold back for ever."""
    news = BrokerNews()
    news.lost("the line was cut") if happened == "lost" else getattr(news, happened)()
    for number in range(3 * MOST_ANSWERS):
        news.answered(answer(number))
    first, *rest = taken(news)

    assert first in {("connected", None), ("lost", "the line was cut"), ("ask anew", None)}
    assert len(rest) == MOST_ANSWERS
    assert rest[-1] == ("answered", ((1, 3 * MOST_ANSWERS - 1),))


def test_of_the_link_the_newest_state_is_taken() -> None:
    """A link that came and went many times while the thread was busy is what it is now."""
    news = BrokerNews()
    for number in range(5000):
        news.connected()
        news.lost(f"cut {number}")
    assert taken(news) == [("lost", "cut 4999")]
    news.lost("cut")
    news.connected()

    assert taken(news) == [("connected", None)]
    assert not news.waits
    assert taken(news) == []


def test_a_spoiled_answer_is_left_out_alone() -> None:
    """The next one is taken; what the spoiled one said is asked for again."""
    news = BrokerNews()
    news.answered(b"spoiled")
    news.answered(answer(3))

    assert taken(news) == [("answered", ((1, 3),))]


@pytest.mark.parametrize("happened", ["connected", "keeper_takes"])
def test_answers_from_before_do_not_count(happened: str) -> None:
    """They may be of a record that was set back since; everything is asked anew."""
    news = BrokerNews()
    news.answered(answer(9))
    getattr(news, happened)()
    news.answered(answer(3))

    assert taken(news)[1:] == [("answered", ((1, 3),))]


def test_answers_count_when_the_link_is_lost_after_them() -> None:
    """At the end of a watch they say what is in the record."""
    news = BrokerNews()
    news.answered(answer(9))
    news.lost("cut")

    assert taken(news) == [("lost", "cut"), ("answered", ((1, 9),))]
