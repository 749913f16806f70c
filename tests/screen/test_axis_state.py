"""State that changes rarely between readings: decimals, sign and point, the chart's range."""

import math
from dataclasses import replace

import pytest
import screen_kit as kit

from benchwatch.estimate.results import Estimate
from benchwatch.quantity import PPB, steady_decimals, write_fraction, write_hz
from benchwatch.screen.axis_state import AxisState
from benchwatch.screen.drawing.axis_ranges import NARROW_AFTER_S, SteadyPlaces
from benchwatch.screen.drawing.large_digits import SIZES, large
from benchwatch.screen.drawing.theme import UNICODE
from benchwatch.screen.panels.large_offset import offset_pair
from benchwatch.screen.panels.strip_chart import strip_chart
from benchwatch.screen.text.amounts import widened
from benchwatch.screen.view import ChartRange
from benchwatch.snapshot import Snapshot, Trace


def _known(offset: float, u: float | None, readings: int = 9) -> Snapshot:
    numbers = replace(kit.numbers(), estimate=Estimate(offset, u, readings, float(readings)))
    return kit.snapshot(numbers=numbers)


def _digits(ranges: AxisState, shown: Snapshot, now_s: float) -> tuple[str, str]:
    ranges.follow(shown, now_s)
    made = kit.frame(
        shown,
        hertz_format=ranges.offset_formats.hertz,
        fraction_format=ranges.offset_formats.fraction,
    )
    pair = offset_pair(made)
    assert pair is not None
    return pair[0].digits, pair[1].digits


def test_decimals_change_only_past_a_factor_of_three():
    """Two digits of u at first; from 0.033 to 3.0 in the unit two decimals are kept."""
    assert steady_decimals(0.11) == 2
    assert [steady_decimals(u, 2) for u in (0.034, 0.11, 0.99, 2.9)] == [2, 2, 2, 2]
    assert steady_decimals(0.032, 2) == 3
    assert steady_decimals(3.1, 2) == 1
    assert steady_decimals(None, 2) == 2
    assert steady_decimals(math.nan) is None


def test_decimals_given_are_those_written():
    """Value and uncertainty are rounded to the given decimals, at any uncertainty."""
    assert str(write_hz(0.02316, 0.0004, decimals=2)) == "+0.02 ± 0.00 Hz"
    assert str(write_fraction(2.314e-9, 1.1e-10, decimals=3)) == "+2.314 ± 0.110 ppb"
    assert write_fraction(2.3e-9, None, decimals=1).digits == "+2.3"


def test_a_figure_keeps_its_shape_while_its_uncertainty_shrinks():
    """After a nudge u falls as the root of the readings; for thirty readings nothing moves."""
    ranges = AxisState()
    shapes = set()
    for n in range(2, 32):
        texts = _digits(ranges, _known(9.0e-9 + 1e-11 * n, 2e-9 / math.sqrt(n)), float(n))
        shapes.add(tuple((len(text), text.index(".")) for text in texts))

    assert len(shapes) == 1


def test_the_point_stays_where_it_is_from_ten_down():
    """From 10 to 9.9 and back the sign stays at the left, with a blank in place of the ten."""
    ranges = AxisState()
    wide = _digits(ranges, _known(1.002e-8, 1e-10), 0.0)
    narrow = _digits(ranges, _known(-9.98e-9, 1e-10), 1.0)

    assert [text.index(".") for text in wide] == [text.index(".") for text in narrow]
    assert wide[1] == "+10.02"
    assert narrow[1] == "- 9.98"


def test_a_blank_is_as_wide_as_a_digit():
    """The large figure is as wide with a blank as with a digit in its place."""
    widths = {SIZES[-1].width(text) for text in ("+10.02", "+ 9.98", "-88.88")}

    assert len(widths) == 1
    assert not any(row.plain.strip() for row in large(" ", SIZES[-1], UNICODE))


def test_places_widen_at_once_and_narrow_late():
    """A figure gets a place when it needs it, and loses it after a while without need."""
    places = SteadyPlaces()
    assert places.follow(2, 0.0) == 2
    assert places.follow(4, 1.0) == 4
    assert places.follow(1, 2.0) == 4
    assert places.follow(2, 2.0 + NARROW_AFTER_S - 0.1) == 4

    assert places.follow(1, 2.0 + NARROW_AFTER_S) == 2


def test_a_figure_without_room_to_spare_is_left_alone():
    """Fewer places than its digits change nothing."""
    text = write_fraction(1.2e-8, 1e-10)

    assert widened(text, 1) == text


@pytest.mark.parametrize(
    ("width", "height", "rows"), [(60, 18, 3), (80, 24, 3), (120, 36, 5)], ids=str
)
def test_the_fraction_is_large_at_every_size(width, height, rows):
    """Even without room for hertz the fraction is drawn large: five rows at 120x36."""
    shown = _known(3.7144e-8, 3.4e-11)
    text = kit.plain("trim", kit.frame(shown), width, height)
    size = next(size for size in SIZES if size.rows == rows)

    for row in large("+37.144", size, UNICODE):
        assert row.plain.rstrip() in text


def _past(offsets: list[float], span_s: float = 120.0) -> Trace:
    step_s = span_s / (len(offsets) - 1)
    times = tuple(kit.NOW_S - span_s + step_s * i for i in range(len(offsets)))
    return Trace(times, tuple(offsets))


def _axis(shown: Snapshot, past: Trace, *, whole: bool = False) -> tuple[float, float]:
    """Return the ends of the axis of a chart of `past`."""
    ends = AxisState().window("trim", ChartRange(120.0, whole=whole), shown, past, kit.NOW_S)
    assert ends is not None
    return ends


def test_the_chart_shows_what_moves_now():
    """After a warm-up of 3000 ppb the chart's range is that of the recent part."""
    warm_up = _past([37e-9 + 3e-6 * math.exp(-i / 20) for i in range(240)])
    low, high = _axis(_known(37e-9, 1e-10), warm_up)

    assert high < 100e-9
    assert low <= 37e-9


def test_one_wild_reading_does_not_flatten_the_chart():
    """A spike a thousand times as high as the rest does not change the range."""
    offsets = [2e-9 + 1e-10 * math.sin(i) for i in range(240)]
    calm = _axis(_known(2e-9, 1e-10), _past(offsets))
    offsets[200] = 2e-6
    wild = _axis(_known(2e-9, 1e-10), _past(offsets))

    assert wild == calm


def test_the_estimate_is_always_on_the_chart():
    """Right after a nudge, with one reading of the new level, the range includes it."""
    offsets = [7e-9] * 239 + [2e-9]
    low, high = _axis(_known(2e-9, 1e-10), _past(offsets))

    assert low <= 2e-9
    assert high >= 7e-9


def test_the_whole_warm_up_is_on_the_chart_when_asked():
    """Without the closer zoom the warm-up is drawn from its first reading."""
    warm_up = _past([37e-9 + 3e-6 * math.exp(-i / 20) for i in range(240)])
    shown = _known(37e-9, 1e-10)
    whole = _axis(shown, warm_up, whole=True)
    close = _axis(shown, warm_up)

    assert whole[1] >= 3e-6
    assert close[1] < 100e-9


def test_points_beyond_the_chart_have_an_arrow_head():
    """At the edge where the curve leaves the chart, and nowhere else."""
    made = kit.frame(trace=_past([9e-9] * 120 + [2e-9] * 120), window=(0.0, 4e-9))
    rows = strip_chart(made, 80, 8)

    assert 30 < rows[0].plain.count("^") < 40
    assert not any("v" in row.plain or "^" in row.plain for row in rows[1:-1])


def test_the_unit_stays_fit_for_the_tolerance():
    """An offset near zero on target is still shown in the unit of the 1 ppb."""
    ranges = AxisState()
    for offset in (5e-9, 4e-11, 1e-12, -2e-11):
        ranges.follow(_known(offset, 1e-11), 1.0)

        assert ranges.unit is PPB
