"""What a person is told of sending: seldom, and each change once."""

from dataclasses import replace

import pytest

from benchwatch.relay.station.relay_words import (
    BEHIND_EVENTS,
    BEHIND_S,
    SAID_AFTER_S,
    RelayWords,
    left_words,
)
from benchwatch.relay.station.shipping_state import ShippingState
from benchwatch.snapshot import RelayNow

UTC_S = 1.9e9
WELL = ShippingState(connected=True, unsent=0)
AWAY = ShippingState(connected=False, unsent=3, oldest_utc_s=UTC_S, why="no broker listens")


class Followed:
    """Words that are told how sending stands, at times of the run."""

    def __init__(self) -> None:
        self.words = RelayWords()

    def at(self, now_s: float, sending: ShippingState) -> tuple[RelayNow, str]:
        """Tell it at `now_s`."""
        return self.words.follow(sending, now_s, UTC_S + now_s)


def test_while_all_is_well_nothing_is_said_and_nothing_changes() -> None:
    """Some events are always under way; a snapshot that changed with each would cost a drawing."""
    followed = Followed()
    shown = {followed.at(float(n), replace(WELL, unsent=n % 9)) for n in range(100)}

    assert shown == {(RelayNow(), "")}


def test_a_link_that_comes_back_soon_is_not_worth_a_word() -> None:
    """A restart of the broker takes a second or two."""
    followed = Followed()
    followed.at(0.0, WELL)
    shown = [followed.at(1.0 + n, AWAY) for n in range(int(SAID_AFTER_S) - 1)]

    assert set(shown) == {(RelayNow(), "")}
    assert followed.at(6.0, WELL) == (RelayNow(), "")


def test_a_short_loss_after_a_long_quiet_is_not_worth_a_word() -> None:
    """While all is well it is followed seldom, and at once when the link is lost."""
    followed = Followed()
    followed.at(0.0, WELL)
    shown = [followed.at(9.0 + n, AWAY) for n in range(int(SAID_AFTER_S))]
    still = followed.words.is_quiet
    _, text = followed.at(9.0 + SAID_AFTER_S, AWAY)

    assert set(shown) == {(RelayNow(), "")}
    assert not still
    assert text.startswith("the broker is away")


def test_a_large_batch_after_a_long_quiet_is_not_behind() -> None:
    """It is followed soon again, until it is known whether many events stay unsent."""
    followed = Followed()
    followed.at(0.0, WELL)
    now, text = followed.at(10.0, replace(WELL, unsent=500, oldest_utc_s=UTC_S + 9.0))
    still = followed.words.is_quiet
    followed.at(11.0, WELL)

    assert (now, text) == (RelayNow(), "")
    assert not still
    assert followed.words.is_quiet


def test_a_broker_that_is_away_is_said_once_and_when_all_is_in_again() -> None:
    """With the reason; and at the end with the number of events that had to wait."""
    followed = Followed()
    followed.at(0.0, WELL)
    said = [followed.at(float(n), replace(AWAY, unsent=n)) for n in range(1, 41)]
    followed.at(41.0, replace(WELL, unsent=41, oldest_utc_s=UTC_S + 1.0))
    still = followed.at(42.0, replace(WELL, unsent=30, oldest_utc_s=UTC_S + 20.0))
    back = followed.at(43.0, replace(WELL, unsent=2, oldest_utc_s=UTC_S + 42.5))

    assert [text for _, text in said if text] == [
        "the broker is away: no broker listens. Readings stay in the journal and are sent later."
    ]
    assert said[-1][0] == RelayNow(unsent=40, trouble="the broker is away: no broker listens")
    assert still[1] == ""
    assert back == (RelayNow(), "all is in the central record again: 41 events.")
    assert followed.words.notices == [said[5][1], back[1]]


def test_a_record_that_does_not_answer_is_not_called_a_broker_that_is_away() -> None:
    """The person has to look at another machine."""
    followed = Followed()
    followed.at(0.0, WELL)
    hung = replace(WELL, unsent=5, why="the keeper does not answer")
    followed.at(1.0, hung)
    now, text = followed.at(7.0, hung)

    assert now.trouble == "the keeper does not answer"
    assert text.startswith(now.trouble)


def test_a_broker_that_never_came_is_said_too() -> None:
    """Then nobody knows how many events are unsent."""
    followed = Followed()
    never = ShippingState(connected=False, why="no broker listens")
    followed.at(0.0, never)
    now, text = followed.at(SAID_AFTER_S, never)

    assert now.unsent is None
    assert "no broker listens" in text


@pytest.mark.parametrize(
    ("unsent", "waits_s", "behind"),
    [
        (BEHIND_EVENTS - 1, 1.0, False),
        (BEHIND_EVENTS, 1.0, True),
        (1, BEHIND_S - 1.0, False),
        (1, BEHIND_S, True),
        (0, BEHIND_S, False),
    ],
)
def test_a_station_is_behind_by_many_events_or_by_a_minute(
    unsent: int, waits_s: float, behind: bool
) -> None:
    """As the bench view says it; not while the link is only briefly away."""
    followed = Followed()
    followed.at(0.0, WELL)
    for at_s in (1.0, 6.0):
        oldest_s = UTC_S + at_s - waits_s
        now, _ = followed.at(at_s, replace(WELL, unsent=unsent, oldest_utc_s=oldest_s))

    assert now.behind is behind
    assert now.unsent == (unsent if behind else None)


def test_a_large_batch_under_way_is_not_behind() -> None:
    """A bench of many counters sends hundreds of events together, and has the answer soon."""
    followed = Followed()
    shown = [
        followed.at(float(n), replace(WELL, unsent=500 * (n % 3 == 0), oldest_utc_s=UTC_S + n))
        for n in range(60)
    ]

    assert {now for now, _ in shown} == {RelayNow()}


def test_text_of_the_network_is_harmless() -> None:
    """The reason may be a broker's own words."""
    followed = Followed()
    bad = ShippingState(connected=False, why="\x1b[2Jgone\n" + "x" * 5000)
    followed.at(0.0, bad)
    now, text = followed.at(9.0, bad)

    assert "\x1b" not in now.trouble + text
    assert "\n" not in now.trouble + text
    assert len(now.trouble) < 300


def test_the_end_says_what_is_not_in_the_record_yet() -> None:
    """And that nothing is lost."""
    assert left_words(WELL) == ""
    assert left_words(replace(AWAY, unsent=1)).startswith("1 event is not in the central record")
    assert left_words(replace(AWAY, unsent=40)).startswith("40 events are not in the central")
    assert left_words(ShippingState(connected=False)).startswith("it is not known which events")
