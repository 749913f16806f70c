"""Figures of axes are round, within the axis, in order, and not more than asked for."""

import math
from datetime import UTC, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from benchwatch.quantity import PPB
from benchwatch.report.charts.ticks import (
    clock_label,
    clock_ticks,
    covered,
    decade_ticks,
    duration_ticks,
    linear_ticks,
    log_axis,
    offset_axis,
)

ZONES = ("UTC", "Europe/Berlin", "Asia/Kathmandu", "America/St_Johns", "Australia/Lord_Howe")
"""Of the IANA time zone database; the last three differ from UTC by parts of an hour."""
sizes = st.floats(1e-12, 1e12)


@given(low=st.floats(-1e9, 1e9), size=sizes, most=st.integers(2, 12))
def test_linear_figures_are_multiples_of_a_1_2_5_step(low: float, size: float, most: int) -> None:
    """At least one and at most `most` figures, whose text is their value, one step apart."""
    assume(size > 1e-6 * abs(low))
    ticks = linear_ticks(low, low + size, most)

    values = [tick.at for tick in ticks]
    assert len(ticks) <= most
    assert all(low <= value <= low + size for value in values)
    assert all(math.isclose(float(t.text), t.at, rel_tol=1e-9, abs_tol=1e-12) for t in ticks)
    assert len({tick.text for tick in ticks}) == len(ticks)
    if len(values) > 1:
        step = (values[-1] - values[0]) / (len(values) - 1)
        leading = step / 10.0 ** math.floor(math.log10(step) + 1e-9)
        assert min(abs(leading - one) for one in (1, 2, 5, 10)) < 1e-6


def test_linear_figures_of_a_known_axis() -> None:
    """From -5.7 to +10.3 with at most 6 figures the step is 5, by arithmetic."""
    ticks = linear_ticks(-5.7, 10.3, 6, signed=True)

    assert [tick.text for tick in ticks] == ["-5", "0", "+5", "+10"]


@given(low=st.integers(-15, 5), decades=st.integers(1, 12), most=st.integers(1, 9))
def test_decades_are_powers_of_ten(low: int, decades: int, most: int) -> None:
    """Every figure is a power of ten, and there are about `most` at most."""
    ticks = decade_ticks(10.0**low, 10.0 ** (low + decades), most)

    assert all(math.log10(tick.at) == pytest.approx(round(math.log10(tick.at))) for tick in ticks)
    assert len(ticks) <= most + 1


@given(values=st.lists(st.floats(1e-300, 1e300), min_size=1, max_size=5))
def test_a_logarithmic_axis_covers_its_values_and_has_figures(values: list[float]) -> None:
    """All values lie on it, and at least one power of ten has a figure."""
    axis = log_axis("made", values)

    assert axis is not None
    assert axis.low <= min(values)
    assert axis.high >= max(values)
    assert axis.ticks


def test_a_logarithmic_axis_without_a_value_above_zero_is_none() -> None:
    """Zero, nan and what is below zero have no logarithm."""
    assert log_axis("made", [0.0, -1.0, math.nan, math.inf]) is None


@pytest.mark.parametrize("name", ZONES)
@given(begin=st.floats(1.5e9, 2.2e9), span=st.floats(10.0, 3e8), most=st.integers(2, 10))
def test_clock_figures_are_round_local_times(
    name: str, begin: float, span: float, most: int
) -> None:
    """Each text is what the library of time zones says of its time, and none is outside."""
    tz = ZoneInfo(name)
    ticks = clock_ticks(begin, begin + span, most, tz)

    assert len(ticks) <= 2 * most + 2
    for tick in ticks:
        then = datetime.fromtimestamp(tick.at, UTC).astimezone(tz)
        assert begin <= tick.at <= begin + span
        if ":" in tick.text:
            assert f"{then:%H:%M:%S}".startswith(tick.text)
            assert then.second % 5 == 0 or span < 60
        else:
            assert then.hour == then.minute == then.second == 0 or then.hour == 1
            assert tick.text in {
                f"{then.day} {then:%b}", f"{then:%b} {then.year}", str(then.year)
            }  # fmt: skip


def test_midnights_stay_local_over_a_change_of_summer_time() -> None:
    """In Central Europe clocks go back on 2026-10-25: days before and after begin at midnight."""
    tz = ZoneInfo("Europe/Berlin")
    begin = datetime(2026, 10, 24, tzinfo=tz).timestamp()
    ticks = clock_ticks(begin, begin + 4 * 86400, 4, tz)

    assert [tick.text for tick in ticks] == ["24 Oct", "25 Oct", "26 Oct", "27 Oct"]
    assert [after.at - before.at for before, after in pairwise(ticks)] == [
        86400.0, 90000.0, 86400.0,
    ]  # fmt: skip


def test_a_day_that_changes_is_named_at_its_first_figure() -> None:
    """From one evening to the next morning both dates are written, each once."""
    begin = datetime(2026, 11, 28, 22, tzinfo=UTC).timestamp()
    ticks = clock_ticks(begin, begin + 4 * 3600, 4, UTC, dated=True)

    assert [tick.text for tick in ticks] == [
        "22:00\n28 Nov", "23:00", "00:00\n29 Nov", "01:00", "02:00",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        (1, "local time (UTC), 2026-11-29"),
        (40, "local time (UTC), 2026"),
        (9000, "local time (UTC), 2026 to 2027"),
    ],
)
def test_an_axis_names_zone_and_date(hours: float, words: str) -> None:
    """The day of one day, the year of several, both years where it changes."""
    begin = datetime(2026, 11, 29, 12, tzinfo=UTC).timestamp()

    assert clock_label(begin, begin + 3600 * hours, UTC) == words


@given(begin=st.floats(0.0, 1e6), span=st.floats(1e-3, 1e8), most=st.integers(2, 10))
def test_durations_lie_within_the_axis(begin: float, span: float, most: int) -> None:
    """No figure is outside, and there are not many more than asked for."""
    ticks = duration_ticks(begin, begin + span, most)

    slack = 1e-6 * (begin + span)
    assert all(begin - slack <= tick.at <= begin + span + slack for tick in ticks)
    assert len(ticks) <= most + 2


@given(values=st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=9))
def test_the_range_covers_all_values(values: list[float]) -> None:
    """Every value lies strictly within, also where all are equal or zero."""
    ends = covered(values)

    assert ends is not None
    assert ends[0] < min(values)
    assert max(values) < ends[1]


def test_an_axis_of_offsets_names_its_unit_and_what_that_is_in_hertz() -> None:
    """1 ppb of 10 MHz is 0.01 Hz, by arithmetic; nan alone gives no axis."""
    axis = offset_axis([1e-9, 3e-9], PPB, 1e7)

    assert axis is not None
    assert axis.label == "offset in ppb (1 ppb of 10 MHz is 0.01 Hz)"
    assert offset_axis([math.nan], PPB, 1e7) is None
