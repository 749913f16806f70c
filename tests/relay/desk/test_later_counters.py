"""Counters that a broker comes to know later: which join, and what is said of the others."""

import line_kit
import pytest

from benchwatch.errors import UsageError
from benchwatch.relay.broker_address import BrokerAddress
from benchwatch.relay.desk.broker_desk import BrokerDesk
from benchwatch.relay.desk.desks import Desks
from benchwatch.relay.desk.known_counters import MOST_COUNTERS, KnownCounter, known_counter
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

    def _meet(self, known: KnownCounter) -> None:
        self.met.append(known.counter)
        if not self.joins:
            raise UsageError("its name is taken.")

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


def test_of_many_that_are_not_taken_few_are_said() -> None:
    """A station makes names by the hundred, and each sentence is a mark on every time line."""
    followed = Followed(joins=False)
    for number in range(120):
        followed.hear(f"c{number}")

    assert followed.said == [
        "a further counter of tide-007 is not watched: its name is taken.",
        "a further counter of tide-007 is not watched (nor were 9 before): its name is taken.",
        "a further counter of tide-007 is not watched (nor were 99 before): its name is taken.",
    ]


@pytest.mark.parametrize("name", ["", " ", "main ", "main\n"])
def test_a_name_that_no_resource_can_have_makes_no_counter(name: str) -> None:
    """It would be read as another counter's, or as none."""
    followed = Followed()
    followed.hear(name)

    assert (followed.met, followed.said) == ([], [])
    assert known_counter("tide-007", name, STATE) is None


def test_one_too_many_is_said_after_others_were_refused_too() -> None:
    """Two reasons, a sentence each."""
    followed = Followed(counters=MOST_COUNTERS - 1, joins=False)
    followed.hear("five")
    followed.joins = True
    for number in range(3):
        followed.hear(f"c{number}")

    assert ["is not watched" in followed.said[0], "more than the 1000" in followed.said[1]] == [
        True, True,
    ]  # fmt: skip
    assert len(followed.said) == 2


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
