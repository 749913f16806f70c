"""Counters that a broker comes to know later: which join, and what is said of the others."""

import line_kit
import pytest

from benchwatch.relay.broker_address import BrokerAddress
from benchwatch.relay.desk.broker_desk import BrokerDesk
from benchwatch.relay.desk.desks import Desks
from benchwatch.relay.desk.known_counters import MOST_COUNTERS, KnownCounter
from benchwatch.relay.desk.look_requests import MANY_COUNTERS, WALL_EVERY_S

BROKER = BrokerAddress("127.0.0.1", 1883, tls=False)
STATE = line_kit.payload(line_kit.state_values())


class Followed:
    """Desks that follow all of a broker; what was met and said is kept."""

    def __init__(self, *, counters: int = 1, joins: bool = True) -> None:
        self.met: list[str] = []
        self.said: list[str] = []
        self.joins = joins
        self.desks = Desks()
        self.desks.counters = counters
        self.desks.follow(BROKER, None, self._meet, self.said.append)

    def _meet(self, known: KnownCounter) -> bool:
        self.met.append(known.counter)
        return self.joins

    def hear(self, counter: str, payload: bytes = STATE) -> None:
        """Let the broker say the state of a counter that the desk does not have."""
        self.desks._desk(BROKER)._followed[None]("tide-007", counter, payload)


def test_a_state_that_says_nothing_makes_no_counter() -> None:
    """A watch that has ended, and a payload that can't be used."""
    followed = Followed()
    for payload in (b"", b"{", b'{"v": 9}'):
        followed.hear("five", payload)

    assert (followed.met, followed.said, followed.desks.counters) == ([], [], 1)


def test_a_counter_that_was_not_taken_is_not_offered_again() -> None:
    """Its state comes whenever it changes."""
    followed = Followed(joins=False)
    for counter in ("five", "five", "ten", "five"):
        followed.hear(counter)

    assert followed.met == ["five", "ten"]
    assert followed.desks.counters == 1


def test_more_counters_than_a_watch_shows_are_said_once() -> None:
    """The last one that fits joins."""
    followed = Followed(counters=MOST_COUNTERS - 1)
    for number in range(4):
        followed.hear(f"c{number}")

    assert followed.met == ["c0"]
    (sentence,) = followed.said
    assert "more than the 1000 counters that one watch shows" in sentence
    assert "Name stations" in sentence


def test_of_many_counters_each_is_asked_more_seldom(monkeypatch: pytest.MonkeyPatch) -> None:
    """As soon as one more has come than send each line."""
    asked: list[float] = []
    monkeypatch.setattr(BrokerDesk, "ask_every", lambda _self, every_s: asked.append(every_s))
    followed = Followed(counters=MANY_COUNTERS - 1)
    followed.hear("five")
    followed.hear("ten")

    assert asked == [0.0, WALL_EVERY_S]
