"""Simulated stations: how their faults are written, and the lines of their control port."""

from dataclasses import dataclass, field

import pytest

from benchwatch.errors import UsageError
from benchwatch_simulators.faults import Fault
from benchwatch_simulators.stations.station_control import StationControl
from benchwatch_simulators.stations.station_faults import (
    STATION_FAULTS,
    lasts_s,
    parse_station_fault,
)


@dataclass
class NotedStation:
    """Notes what it is told."""

    readings: int = 5
    unsent: int | None = None
    told: list[object] = field(default_factory=list)

    def set_link(self, *, on: bool) -> None:
        """Note it."""
        self.told.append(("link", on))

    def set_counters(self, *, on: bool) -> None:
        """Note it."""
        self.told.append(("counters", on))

    def set_power(self, *, on: bool) -> None:
        """Note it."""
        self.told.append(("power", on))

    def set_clock(self, ahead_s: float) -> None:
        """Note it."""
        self.told.append(("clock", ahead_s))

    def set_disk(self, *, full: bool) -> None:
        """Note it."""
        self.told.append(("disk", full))


class NotedStations:
    """Two stations."""

    now_s = 1.5

    def __init__(self) -> None:
        self.stations = {"tide-001": NotedStation(), "tide-002": NotedStation(unsent=7)}


@pytest.mark.parametrize(
    ("text", "fault", "lasting_s"),
    [
        ("link@30s", Fault(kind="link", at_s=30.0), 10.0),
        (
            "tide-007=off@1min+2s",
            Fault(kind="off", at_s=60.0, lasts_s=2.0, counter="tide-007"),
            2.0,
        ),
        ("clock@0", Fault(kind="clock"), 20.0),
    ],
)
def test_a_fault_is_read_as_written(text: str, fault: Fault, lasting_s: float) -> None:
    """Kind, time, duration and station; each kind has a usual duration."""
    assert parse_station_fault(text) == fault
    assert lasts_s(fault) == lasting_s
    assert all(lasts_s(Fault(kind=kind)) > 0 for kind in STATION_FAULTS)


@pytest.mark.parametrize(
    ("text", "expected"),
    [("lnk@3s", "did you mean 'link'"), ("mute@3s", "There are: link, silent"), ("off", "when")],
)
def test_another_fault_is_refused_with_the_form(text: str, expected: str) -> None:
    """The sentence shows how a fault of a station is written, not one of a counter."""
    with pytest.raises(UsageError, match=expected) as refused:
        parse_station_fault(text)
    assert "tide-007=link@30s+20s" in str(refused.value)


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("link off tide-001", ("link", False)),
        ("COUNTERS on tide-001", ("counters", True)),
        ("power off all", ("power", False)),
        ("clock -2h tide-001", ("clock", -7200.0)),
        ("clock 0 tide-001", ("clock", 0.0)),
        ("clock 900d tide-001", ("clock", 900 * 86_400.0)),
        ("disk full tide-001", ("disk", True)),
        ("disk free tide-001", ("disk", False)),
    ],
)
def test_a_line_reaches_its_station(line: str, told: object) -> None:
    """The first of two stations is told, or both."""
    stations = NotedStations()

    assert StationControl(stations).execute(line) == "ok"
    assert stations.stations["tide-001"].told == [told]
    assert stations.stations["tide-002"].told == ([told] if line.endswith("all") else [])


def test_questions_are_answered_in_a_line() -> None:
    """Readings, what is unsent (a question mark where not all know it), names, time and forms."""
    control = StationControl(NotedStations())

    assert control.execute("readings all") == "10"
    assert control.execute("unsent tide-002") == "7"
    assert control.execute("unsent all") == "?"
    assert control.execute("names") == "tide-001 tide-002"
    assert control.execute("time") == "1.500000"
    assert "disk full|free [STATION]" in str(control.execute("help"))
    assert control.execute("  ") is None


@pytest.mark.parametrize(
    "line",
    ["link", "link off", "link maybe tide-001", "link off tide-009", "clock soon all", "jump",
     "clock 60y all", "disk on all", "link off tide-001 tide-002"],
)  # fmt: skip
def test_a_line_that_is_none_is_answered_by_a_sentence(line: str) -> None:
    """Nothing is done, and nothing is raised."""
    stations = NotedStations()

    assert str(StationControl(stations).execute(line)).startswith("error: ")
    assert not any(station.told for station in stations.stations.values())
