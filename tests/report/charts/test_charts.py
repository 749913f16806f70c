"""The charts hold the numbers that they were given, at their places, and say the main ones."""

import math
from dataclasses import replace
from datetime import UTC
from pathlib import Path

import pytest
from chart_kit import BEGIN_S, LEVELS_PPB, NIGHT_S, fields_of, made_records, made_visit, offsets
from register_kit import record
from report_kit import UNIT, ageing_visits, empty_visit

from benchwatch.estimate.stability.deviation_point import Deviation
from benchwatch.estimate.uncertainty.uncertainty_budget import USUAL_COVERAGE
from benchwatch.measured_visit.measured_visit import (
    MeasuredVisit,
    SettleMark,
    StabilitySinceTurn,
    Turn,
)
from benchwatch.reading import AS_FOUND
from benchwatch.register import read_register
from benchwatch.report.charts.budget_chart import MOST_BARS, budget_chart
from benchwatch.report.charts.chart import Bar, Chart
from benchwatch.report.charts.history_chart import history_chart
from benchwatch.report.charts.stability_chart import deviations_chart, stability_chart
from benchwatch.report.charts.visit_chart import landing_chart, trim_chart, visit_chart
from benchwatch.report.charts.warm_up_chart import warm_up_chart
from benchwatch.report.unit_standing import UnitStanding, unit_standing

GOOD = made_visit()
NOTHING = MeasuredVisit(offsets=offsets([BEGIN_S, BEGIN_S + 1.0], [math.nan] * 2))


def there(chart: Chart | None) -> Chart:
    """Return a chart that is there."""
    assert chart is not None
    return chart


def deviation(tau_s: float, value: float, kind: str = "oadev") -> Deviation:
    """Return a made deviation with limits of ±10 %."""
    low, high = (0.9 * value, 1.1 * value) if value else (None, None)
    return Deviation(kind, tau_s, value, low, high, 0.683, 9.0, 20, "white FM")


def standing_of(register: Path) -> UnitStanding:
    """Return how the made unit stands."""
    with read_register(register) as reader:
        unit = reader.unit(UNIT)
        assert unit is not None
        return unit_standing(unit, reader.visits_of(UNIT))


def test_the_visit_shows_turns_tool_records_and_what_settled() -> None:
    """Four turns are numbered in order, each with its tool; the records have their U."""
    records = made_records(GOOD)
    chart = there(visit_chart(GOOD, records=records, tolerance=5e-9, nominal_hz=1e7, tz=UTC))

    moments = [part["text"] for part in fields_of(chart, "moment")]
    found, left = fields_of(chart, "limits")
    expanded = records[0].expanded(USUAL_COVERAGE)
    assert expanded is not None
    assert moments == ["settled", "1", "2", "3", "4"]
    assert len(fields_of(chart, "stretch")) == 4
    assert len(fields_of(chart, "pause")) == 1
    assert found["y"] == pytest.approx([LEVELS_PPB[0]], abs=0.01)
    assert left["y"] == pytest.approx([LEVELS_PPB[-1]], abs=0.01)
    assert found["high"][0] - found["y"][0] == pytest.approx(expanded.half_width * 1e9, abs=0.01)
    assert fields_of(chart, "band")[0]["high"] == pytest.approx(5.0)
    assert "4 turns; as found +36.970 ± 0.030 ppb; as left +0.410 ± 0.030 ppb" in chart.alternative


def test_a_warm_up_from_far_above_does_not_flatten_what_came_after_it() -> None:
    """The axis covers what came since it had settled; how far readings lie beyond is written."""
    cold = made_visit(cold_ppb=4000.0)
    chart = there(visit_chart(cold, records=made_records(cold), tolerance=5e-9, tz=UTC))

    (mark,) = fields_of(chart, "beyond")
    assert chart.y.high < 60.0
    assert mark == {"kind": "beyond", "at": 0.0, "above": True, "text": "to +4037 ppb"}
    assert "and +4037 ppb" in chart.alternative


def test_a_warm_up_from_near_is_on_the_axis() -> None:
    """From 50 ppb above, all fits: nothing lies beyond."""
    near = made_visit(cold_ppb=50.0)

    assert fields_of(there(visit_chart(near, tolerance=5e-9, tz=UTC)), "beyond") == []


def test_a_spike_after_the_warm_up_is_on_the_axis() -> None:
    """One reading at +400 ppb long after it had settled is no warm-up: the axis reaches it."""
    high = list(GOOD.offsets.high)
    high[-20] = 400e-9
    chart = there(
        visit_chart(replace(GOOD, offsets=replace(GOOD.offsets, high=tuple(high))), tz=UTC)
    )

    assert chart.y.high > 400.0
    assert fields_of(chart, "beyond") == []


def test_a_record_in_a_pause_is_drawn_in_it() -> None:
    """Its time is the middle of readings before and after: it does not divide the pause."""
    pause_s = BEGIN_S + 1800.0 + NIGHT_S / 2.0
    one = record(AS_FOUND, LEVELS_PPB[0] * 1e-9, utc_s=pause_s)
    chart = there(visit_chart(GOOD, records=[one], tz=UTC))

    (pause,) = fields_of(chart, "pause")
    (limits,) = fields_of(chart, "limits")
    assert pause["begin"] < limits["x"][0] < pause["end"]


def test_the_trim_shows_all_turns_and_not_the_warm_up() -> None:
    """From half a minute before the first turn to half a minute after the last."""
    chart = there(trim_chart(GOOD, tolerance=5e-9, tz=UTC))

    first_s, last_s = GOOD.turns[0].utc_s, GOOD.turns[-1].utc_s
    assert [part["text"] for part in fields_of(chart, "moment")] == ["1", "2", "3", "4"]
    assert chart.x.high == pytest.approx(1.3 * (last_s - first_s), rel=0.05)
    assert chart.y.high < 60.0
    assert trim_chart(replace(GOOD, turns=()), tz=UTC) is None


def test_the_landing_begins_at_the_last_turn() -> None:
    """Only the last turn and the record after it are left, with a scale of their own."""
    chart = there(landing_chart(GOOD, records=made_records(GOOD), tolerance=5e-9, tz=UTC))

    assert [part["text"] for part in fields_of(chart, "moment")] == ["4"]
    assert [part["label"] for part in fields_of(chart, "limits")] == ["as left ± U"]
    assert chart.y.high < 12.0
    assert chart.y.low < -5.0
    assert landing_chart(replace(GOOD, turns=()), tz=UTC) is None


def test_the_landing_shows_the_whole_tolerance() -> None:
    """Readings of some parts in 10^12 are shown within ±5 ppb, in ppb."""
    level = offsets([BEGIN_S + s for s in range(60)], [0.004] * 60, 0.001)
    visit = MeasuredVisit(offsets=level, turns=(Turn(utc_s=BEGIN_S, size=1e-9),))
    chart = there(landing_chart(visit, tolerance=5e-9, tz=UTC))

    assert chart.y.label == "offset in ppb"
    assert chart.y.high > 5.0


def test_a_tolerance_far_beyond_the_offsets_does_not_flatten_them() -> None:
    """±1000 ppm about offsets of some 200 ppb would leave a line: the axis keeps to these."""
    chart = there(visit_chart(GOOD, tolerance=1e-3, tz=UTC))

    assert chart.y.high < 300.0


def test_a_record_without_a_date_is_left_out() -> None:
    """It has no place on the axis."""
    chart = there(visit_chart(GOOD, records=[record(AS_FOUND, 3e-8)], tz=UTC))

    assert fields_of(chart, "limits") == []


def test_records_alone_are_drawn() -> None:
    """A visit whose journal is lost still shows its records."""
    chart = there(visit_chart(MeasuredVisit(), records=made_records(GOOD), tz=UTC))

    assert len(fields_of(chart, "limits")) == 2


def test_the_warm_up_counts_from_power_on_and_says_when_it_settled() -> None:
    """Readings begin 20 s after power-on; it settled 1120 s after it, at 16:21:40 UTC."""
    chart = there(warm_up_chart(GOOD, tz=UTC))

    (mark,) = fields_of(chart, "moment")
    assert mark == {"kind": "moment", "at": 1120.0, "text": "settled", "label": ""}
    assert chart.x.log
    assert fields_of(chart, "envelope")[0]["x"][0] == pytest.approx(20.0)
    assert "settled after 18 min, at 16:21" in chart.alternative


def test_a_warm_up_that_never_settled_says_so() -> None:
    """The alternative text has it, and no mark stands in the chart."""
    marks = (SettleMark(utc_s=BEGIN_S + 30.0, state="warming", text=""),)
    chart = there(warm_up_chart(replace(GOOD, settle_marks=marks), tz=UTC))

    assert chart.alternative.endswith("it did not settle.")
    assert fields_of(chart, "moment") == []


@pytest.mark.parametrize("log_time", [False, True])
def test_both_time_axes_name_duration_and_clock(log_time: bool) -> None:
    """Each figure has the time since power-on above, and the local time below."""
    chart = there(warm_up_chart(GOOD, tz=UTC, log_time=log_time, size="wide"))

    words = dict(tick.text.split("\n") for tick in chart.x.ticks)
    assert words["10 min"] == "16:13"


def test_deviations_keep_their_limits() -> None:
    """Values and limits are those given; what is zero has no place on the axis."""
    points = (deviation(1.0, 3e-11), deviation(10.0, 1e-11), deviation(100.0, 0.0))
    stability = StabilitySinceTurn(points=points, begin_utc_s=0.0, end_utc_s=600.0, readings=600)
    chart = there(stability_chart(stability))

    (limits,) = fields_of(chart, "limits")
    assert limits["x"] == [1.0, 10.0]
    assert limits["y"] == [3e-11, 1e-11]
    assert limits["low"] == pytest.approx([2.7e-11, 0.9e-11])
    assert limits["high"] == pytest.approx([3.3e-11, 1.1e-11])
    assert "600 readings over 10 min" in chart.alternative
    assert "oadev 3e-11 at 1 s, 1e-11 at 10 s" in chart.alternative


def test_time_deviations_do_not_share_an_axis_with_fractions() -> None:
    """Of both the fractions are drawn; alone they have an axis in seconds."""
    points = [deviation(1.0, 3e-11), deviation(1.0, 2e-11, "tdev")]
    both = there(deviations_chart(points, "made readings"))
    alone = there(deviations_chart(points[1:], "made readings"))

    assert [part["label"] for part in fields_of(both, "limits")] == ["oadev with limits (68.3 %)"]
    assert alone.y.label == "deviation in s"


def test_the_budget_has_a_bar_for_each_row_largest_first() -> None:
    """Combined u comes first, and the root of the sum of squares of the others (GUM 5.1.2)."""
    one = record(AS_FOUND, 3e-8)
    chart = there(budget_chart(one))

    bars = [part for part in chart.parts if isinstance(part, Bar)]
    lengths = [bar.length for bar in bars]
    assert bars[0].label == "combined u"
    assert {bar.label for bar in bars[1:3]} == {"noise", "time base"}
    assert [bar.label for bar in bars[3:]] == ["resolution", "drift"]
    assert lengths == sorted(lengths, reverse=True)
    assert math.hypot(*lengths[1:]) == pytest.approx(lengths[0])
    assert chart.name == "budget as found"


def test_many_rows_of_a_budget_share_the_last_bar() -> None:
    """Of twenty rows the seven largest have bars; the rest together keep the sum of squares."""
    one = record(AS_FOUND, 3e-8)
    row = one.budget.lines[0]
    rows = tuple(replace(row, name=f"row {n}", u=n * 1e-12) for n in range(1, 21))
    chart = there(budget_chart(replace(one, budget=replace(one.budget, lines=rows))))

    bars = [part for part in chart.parts if isinstance(part, Bar)]
    assert len(bars) == MOST_BARS + 1
    assert bars[-1].label == "13 smaller ones"
    assert math.hypot(*(bar.length for bar in bars[1:])) == pytest.approx(bars[0].length)


def test_a_budget_without_a_known_uncertainty_has_no_chart() -> None:
    """Rows of zero are no bars."""
    one = record(AS_FOUND, 3e-8)
    rows = tuple(replace(row, u=0.0) for row in one.budget.lines)

    assert budget_chart(replace(one, budget=replace(one.budget, lines=rows))) is None


def test_the_history_shows_each_visit_and_the_way_between(tmp_path: Path) -> None:
    """Five visits: as found from 3 ppb up, as left at 0, joined by lines."""
    standing = standing_of(ageing_visits(tmp_path / "made").register)
    chart = there(history_chart(standing, tz=UTC))

    found, left = fields_of(chart, "limits")
    alone, trims = fields_of(chart, "curve")
    assert found["y"][1:] == pytest.approx([3.1, 3.2, 3.3, 3.4], abs=0.02)
    assert left["y"] == pytest.approx([0.0] * 5, abs=0.02)
    assert len(alone["x"]) == 3 * 4
    assert alone["y"][:2] == pytest.approx([0.0, 3.1], abs=0.02)
    assert len(trims["x"]) == 3 * 5
    assert fields_of(chart, "band")[0]["high"] == pytest.approx(5.0)
    assert not fields_of(chart, "envelope")
    assert "expected" not in chart.alternative


def test_a_forecast_is_drawn_only_where_it_is_asked_for(tmp_path: Path) -> None:
    """It begins at the newest record, and its band holds the expected line."""
    standing = standing_of(ageing_visits(tmp_path / "made").register)
    chart = there(history_chart(standing, forecast=True, tz=UTC))

    (band,) = fields_of(chart, "envelope")
    expected = next(part for part in fields_of(chart, "curve") if part["label"] == "expected")
    in_a_year = standing.in_a_year()
    assert standing.newest is not None
    assert in_a_year is not None
    assert expected["x"][0] == pytest.approx(standing.newest.utc_s, abs=1e4)
    assert expected["y"][0] == pytest.approx(standing.newest.offset * 1e9, abs=0.01)
    assert all(
        low <= y <= high
        for low, y, high in zip(band["low"], expected["y"], band["high"], strict=True)
    )
    assert min(abs(y - in_a_year.offset * 1e9) for y in expected["y"]) < 0.2


@pytest.mark.parametrize("build", [visit_chart, warm_up_chart, landing_chart, trim_chart])
def test_there_is_no_chart_of_nothing(build) -> None:
    """Neither without a reading, nor where all are missing."""
    assert build(MeasuredVisit(), tz=UTC) is None
    assert build(replace(NOTHING, warm_up=NOTHING.offsets), tz=UTC) is None


def test_there_is_no_history_without_a_record(tmp_path: Path) -> None:
    """A visit that was never read gives none."""
    assert history_chart(standing_of(empty_visit(tmp_path / "made").register), tz=UTC) is None
    assert deviations_chart([], "nothing") is None
