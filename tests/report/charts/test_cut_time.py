"""Long pauses are cut short on a time axis; all else keeps its length and its order."""

import math
from datetime import UTC, datetime

from hypothesis import given
from hypothesis import strategies as st

from benchwatch.report.charts.cut_time import MOST_WIDTH, cut_time

BEGIN_S = datetime(2026, 11, 28, 16, tzinfo=UTC).timestamp()
TWO_RUNS = [BEGIN_S + s for s in range(600)] + [BEGIN_S + 50_000 + s for s in range(600)]


def test_a_night_between_two_runs_is_cut_short() -> None:
    """Both runs keep their ten minutes; the night takes less than a tenth of the axis."""
    time = cut_time(TWO_RUNS)

    assert time is not None
    (pause,) = time.pauses()
    assert time.at(BEGIN_S + 599) - time.at(BEGIN_S) == 599
    assert time.at(BEGIN_S + 50_599) - time.at(BEGIN_S + 50_000) == 599
    assert pause.end - pause.begin < 0.1 * time.at(BEGIN_S + 50_599)
    assert pause.text == "13 h"


def test_both_days_are_named_on_a_cut_axis() -> None:
    """The first figure of each run has its date."""
    time = cut_time(TWO_RUNS)

    assert time is not None
    dates = [tick.text.partition("\n")[2] for tick in time.axis(8, UTC).ticks]
    assert [one for one in dates if one] == ["28 Nov", "29 Nov"]


def test_a_pause_that_is_short_beside_the_runs_is_drawn_in_full() -> None:
    """A gap of a minute in an hour stays a minute."""
    times = [BEGIN_S + s for s in range(3600) if not 1000 <= s < 1060]
    time = cut_time(times)

    assert time is not None
    assert time.cuts == ()
    assert time.at(BEGIN_S + 3599) == 3599


@given(
    times=st.lists(st.floats(1.5e9, 1.6e9), min_size=1, max_size=40),
    also=st.lists(st.floats(1.5e9, 1.6e9), max_size=3),
)
def test_times_keep_their_order(times: list[float], also: list[float]) -> None:
    """A later time is never further to the left, and all lie on the axis."""
    time = cut_time(times, also)

    assert time is not None
    drawn = [time.at(one) for one in sorted([*times, *also])]
    assert drawn == sorted(drawn)
    assert drawn[0] >= 0.0
    assert drawn[-1] <= time.axis(6, UTC).high
    width = sum(pause.end - pause.begin for pause in time.pauses())
    assert width <= MOST_WIDTH * time.axis(6, UTC).high


def test_without_a_time_there_is_no_axis() -> None:
    """Nan is no time."""
    assert cut_time([math.nan]) is None


def test_one_time_gets_a_minute_about_it() -> None:
    """A single reading stands in the middle of a minute."""
    time = cut_time([BEGIN_S])

    assert time is not None
    assert time.at(BEGIN_S) == 30.0
    assert time.axis(6, UTC).high == 60.0
