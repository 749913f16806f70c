"""Times of day on the screen: local, with the zone; in data they are UTC."""

import time
from dataclasses import replace

import pytest
import screen_kit as kit
from pipeline_kit import START_UTC_S

from benchwatch.screen.panels.strip_chart import strip_chart
from benchwatch.screen.text.clock_ticks import clock_label, clock_ticks
from benchwatch.screen.text.local_time import date_and_time, minute, time_of_day
from benchwatch.screen.views.notes_view import count_line, note_lines
from benchwatch.snapshot import LoggedEvent

pytestmark = pytest.mark.skipif(not hasattr(time, "tzset"), reason="needs zones by TZ")

PLACES = [
    ("CET-1CEST,M3.5.0,M10.5.0/3", "12:20:20 CEST"),
    ("<+0545>-5:45", "16:05:20 UTC+05:45"),
    ("NST3:30NDT,M3.2.0,M11.1.0", "07:50:20 NDT"),
    ("UTC", "10:20:20 UTC"),
]
"""Zones as POSIX.1-2017 writes them (8.3, TZ), and the output of `date` there at `START_UTC_S`."""


@pytest.fixture
def place(monkeypatch):
    """Change the program's zone."""

    def move(zone):
        monkeypatch.setenv("TZ", zone)
        time.tzset()

    yield move
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize(("zone", "said"), PLACES)
def test_a_time_of_day_has_its_zone(place, zone, said):
    """East, west, by quarters of an hour; a zone without letters is given by its offset."""
    place(zone)

    assert time_of_day(START_UTC_S) == said
    assert date_and_time(START_UTC_S) == f"2031-05-04 {said}"


def test_another_day_has_its_date(place):
    """At 00:20 local time an hour ago was yesterday, though not yet in UTC."""
    place("<-10>10")  # 10:20 UTC is 00:20 there

    assert minute(START_UTC_S, START_UTC_S) == "00:20 UTC-10:00"
    assert minute(START_UTC_S - 3600, START_UTC_S) == "May 03 23:20 UTC-10:00"


@pytest.mark.parametrize("width", [80, 120])
def test_the_log_has_local_times(place, width):
    """An entry's row has the local time, the line above the zone; the text is uncut."""
    place(PLACES[0][0])
    note = LoggedEvent(utc_s=START_UTC_S, elapsed_s=100.0, kind="mark", text="the oven's lid is on")
    made = kit.frame(replace(kit.snapshot(), logged_events=(note,)))

    text = "\n".join(row.plain for row in note_lines(made, width, 5))
    head = count_line(made, width, 1)[0].plain

    assert "  12:20:20 " in text
    assert "the oven's lid is on" in text
    assert head.endswith("local time, CEST")
    assert "UTC" not in text + head


def test_notes_of_several_days_have_dates(place):
    """Newest first; a note from before the end of summer time names its own zone."""
    place(PLACES[0][0])
    summer_s = 1_950_742_800.0  # 2031-10-26T01:00Z: the clocks go back, `date -d @1950742800`
    notes = tuple(
        LoggedEvent(utc_s=utc_s, elapsed_s=utc_s - summer_s, kind="mark", text=text)
        for utc_s, text in ((summer_s - 7200, "before"), (summer_s + 86400, "after"))
    )
    made = kit.frame(replace(kit.snapshot(), logged_events=notes))
    after, before = (row.plain for row in note_lines(made, 80, 5))

    assert after.startswith("  Oct 27 02:00:00 ")
    assert before.startswith("  Oct 26 01:00:00 CEST ")


def _texts(begin_s, end_s):
    return [text for _, text in clock_ticks(begin_s, end_s, 6)]


def test_ticks_are_round_local_times(place):
    """Seconds only where the steps are short; a zone at a quarter of an hour is round too."""
    place(PLACES[1][0])  # 10:20:20 UTC is 16:05:20 there

    assert _texts(START_UTC_S - 30, START_UTC_S)[:2] == ["16:04:55", "16:05:00"]
    assert _texts(START_UTC_S - 600, START_UTC_S) == ["15:56", "15:58", "16:00", "16:02", "16:04"]
    assert _texts(START_UTC_S - 14400, START_UTC_S) == ["13:00", "14:00", "15:00", "16:00"]
    assert clock_label(START_UTC_S, 30.0, 6) == "16:05:20 UTC+05:45"
    assert clock_label(START_UTC_S, 600.0, 6) == "16:05 UTC+05:45"


def test_over_more_than_a_day_ticks_have_dates(place):
    """Midnight is written as its day, also where the clocks go back."""
    place(PLACES[0][0])
    summer_ends_s = 1_950_742_800.0  # 2031-10-26T01:00Z, `date -d @1950742800`

    assert _texts(START_UTC_S - 86400, START_UTC_S) == ["18:00", "May 04", "06:00", "12:00"]
    assert _texts(START_UTC_S - 604800, START_UTC_S) == ["Apr 28", "Apr 30", "May 02", "May 04"]
    assert _texts(summer_ends_s - 72000, summer_ends_s + 72000) == ["12:00", "Oct 26", "12:00"]


def test_after_a_resume_the_axis_has_the_times_of_the_readings():
    """A run that began at another time has other ticks, whatever this computer's clock says."""
    made = kit.frame(kit.snapshot(reading=kit.reading(2e-9, utc_s=START_UTC_S - 0.4)))
    row = strip_chart(made, 108, 8)[-1].plain

    assert "now 10:20:20 UTC" in row


@pytest.mark.parametrize("span_s", [0.0, -5.0, 1e12])
def test_a_span_without_ticks_has_none(span_s):
    """Nothing is drawn for an empty span or one beyond any calendar."""
    assert not clock_ticks(START_UTC_S, START_UTC_S + span_s, 6)
