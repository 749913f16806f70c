"""The link to a counter elsewhere: what broker, station and time say of it."""

import line_kit
import pytest
from pipeline_kit import reading

from benchwatch.errors import ConnectionFailed, NoReadings
from benchwatch.relay.broker_address import BrokerAddress
from benchwatch.relay.desk.stated_counter import StatedCounter, StatedStation, read_state
from benchwatch.relay.desk.station_link import LinkNow, StationLink

BROKER = BrokerAddress("127.0.0.1", 1883, tls=False)


def linked(*, reads: bool = True, **state: object) -> StationLink:
    """Return the link of a counter that is there since 100 s and gave a line at 110 s."""
    link = StationLink("tide-007", "main", BROKER, 100.0)
    link.broker_changed(None, 100.0)
    link.here = StatedStation(here=True)
    stated = read_state(line_kit.payload(line_kit.state_values(**state)))
    assert isinstance(stated, StatedCounter)
    link.take_state(stated)
    if reads:
        link.line_came(110.0)
        link.reading_came()
    return link


def test_a_line_that_is_overdue_is_a_lost_link() -> None:
    """After 2.5 spacings and 1.5 s, and not before a longer gate could have ended."""
    link, slow = linked(), linked(gate_s=20.0)

    assert link.now(reading(1), 1.0, 113.9) == LinkNow("reading")
    assert (
        link.now(reading(1), 1.0, 114.1).detail == "no line comes from tide-007. It is asked again."
    )
    assert link.now(reading(1), 1.0, 114.1).lost == "no line came"
    assert slow.now(reading(1), 1.0, 114.1) == LinkNow("reading")


def test_a_broker_that_is_back_gives_the_station_time_to_send() -> None:
    """It is not said that no line comes before one could have come."""
    link = linked()
    link.broker_changed("no broker listens", 120.0)
    away = link.now(reading(1), 5.0, 121.0)
    link.broker_changed(None, 122.0)
    link.broker_changed(None, 123.0)
    back, late = link.now(reading(1), 5.0, 135.9), link.now(reading(1), 5.0, 136.1)

    assert away.detail.startswith("the broker mqtt://127.0.0.1:1883 is away: no broker listens")
    assert back == LinkNow("lost", "tide-007 is asked for its lines.")
    assert late.detail.startswith("no line comes from tide-007")


def test_what_the_station_says_of_its_own_link_counts_until_a_reading_comes() -> None:
    """With its reason."""
    link = linked(reads=False, link={"state": "silent", "detail": "no reply."})
    silent = link.now(reading(1), 1.0, 110.0)
    link.line_came(110.0)
    link.reading_came()

    assert silent == LinkNow("silent", "at tide-007: no reply.")
    assert link.now(reading(1), 1.0, 111.0) == LinkNow("reading")


@pytest.mark.parametrize(
    ("here", "words"), [(True, "main"), (False, "tide-007 is gone from the broker")]
)
def test_a_counter_that_never_comes_is_absent_with_a_reason(here: bool, words: str) -> None:
    """At once where the station is gone, else after the longest wait."""
    link = linked(reads=False)
    link.here = StatedStation(here=here)
    soon = link.absent(link.now(None, None, 101.0), None, 101.0)
    late = link.absent(link.now(None, None, 130.0), None, 130.0)

    assert (soon is None) is here
    assert isinstance(late, NoReadings if here else ConnectionFailed)
    assert words in str(late)
