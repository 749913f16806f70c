"""Times of day on the screen: local, with the zone; in data they are UTC."""

import time
from dataclasses import replace

import pytest
import screen_kit as kit
from pipeline_kit import START_UTC_S

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
