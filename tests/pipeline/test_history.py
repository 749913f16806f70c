"""The history for the chart: bounded, with spikes and gaps visible at every zoom."""

import math
import random
import threading
import tracemalloc

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.pipeline.history import FAN_OUT, LEVELS, History


def finite(values: tuple[float, ...]) -> list[float]:
    """Return the points without breaks."""
    return [value for value in values if not math.isnan(value)]


def test_few_readings_come_back_one_by_one():
    """Where the readings fit into the points asked for, each is returned exactly."""
    buffer = History()
    for number in range(50):
        buffer.add(float(number), number * 1e-9)

    trace = buffer.trace(10.0, 100)
    assert trace.elapsed_s == tuple(float(n) for n in range(39, 50))
    assert trace.offset == tuple(n * 1e-9 for n in range(39, 50))


def test_an_empty_buffer_gives_an_empty_trace():
    """Before the first reading, any span gives an empty trace."""
    buffer = History()
    buffer.gap(5.0)

    assert buffer.trace(60.0, 0).elapsed_s == ()
    assert len(buffer.buckets(60.0).low) == 0


def test_a_gap_is_a_break_between_its_readings():
    """The nan is between the last reading before and the first one after."""
    buffer = History()
    buffer.add(1.0, 1e-9)
    buffer.gap(8.0)
    buffer.add(9.0, 2e-9)

    trace = buffer.trace(100.0, 100)
    assert trace.elapsed_s == (1.0, 1.0, 9.0)
    assert [math.isnan(value) for value in trace.offset] == [False, True, False]


def test_nan_is_no_reading():
    """An overrange reading adds no point."""
    buffer = History()
    buffer.add(1.0, math.nan)
    buffer.add(2.0, 1e-9)

    assert buffer.trace(100.0, 100).elapsed_s == (2.0,)


@pytest.fixture(scope="module")
def spiky():
    """Return a long run with four spikes, in a history and as arrays; tests must not change it."""
    buffer = History(capacity=1024)
    noise = random.Random(1)
    values = [noise.gauss(0.0, 1e-9) for _ in range(300_000)]
    for where in (3, 150_000, 295_000, 299_950):
        values[where], values[where + 20] = 1e-6 + where * 1e-12, -1e-6 - where * 1e-12
    for number, value in enumerate(values):
        buffer.add(float(number), value)
    return buffer, values


@pytest.mark.parametrize("span_s", [100.0, 10_000.0, 100_000.0, 300_000.0])
def test_a_lone_spike_is_seen_at_any_zoom(spiky, span_s):
    """Lowest and highest offset of the span survive decimation exactly."""
    buffer, values = spiky

    seen = finite(buffer.trace(span_s, 240).offset)
    inside = values[-int(span_s) :]
    assert len(seen) <= 240
    assert max(seen) == pytest.approx(max(inside), abs=0.0)
    assert min(seen) == pytest.approx(min(inside), abs=0.0)


@given(
    st.lists(
        st.tuples(st.sampled_from(["reading"] * 6 + ["gap"]), st.floats(0.1, 50.0)),
        min_size=1,
        max_size=700,
    ),
    st.integers(6, 90),
    st.floats(1.0, 5000.0),
)
def test_any_run_keeps_its_range_its_order_and_its_points(steps, points, span_s):
    """Times increase, the number of points is kept, and no value is outside the true range."""
    buffer = History(capacity=32)
    now_s, values = 0.0, {}
    for kind, seconds in steps:
        now_s += seconds
        if kind == "gap":
            buffer.gap(seconds)
        else:
            values[now_s] = math.sin(now_s)
            buffer.add(now_s, values[now_s])

    trace = buffer.trace(span_s, points)
    times = np.array(trace.elapsed_s)
    assert len(times) == len(trace.offset) <= points
    assert (np.diff(times) >= 0).all()
    assert set(finite(trace.offset)) <= set(values.values())


@given(st.lists(st.sampled_from(["reading", "reading", "reading", "gap"]), max_size=400))
def test_no_reading_is_counted_twice_or_forgotten_while_there_is_room(steps):
    """Counts and means over the whole run are those of the readings."""
    buffer = History(capacity=64)
    total = 0
    for number, kind in enumerate(steps):
        if kind == "gap":
            buffer.gap(1.0)
        else:
            total += 1
            buffer.add(float(number), float(total))

    buckets = buffer.buckets(1e6)
    # Where two levels meet, a coarse bucket may reach into the finer part: its readings are
    # then counted on both sides, never left out.
    extra = int(buckets.readings.sum()) - total
    assert 0 <= extra < FAN_OUT**LEVELS
    if len(steps) < 64:
        assert extra == 0
        assert float((buckets.mean * buckets.readings).sum()) == total * (total + 1) / 2


def test_every_long_gap_shows_in_a_long_view():
    """A gap a day in a month of readings: a view of the month has a break for each."""
    buffer = History(capacity=2048)
    now_s, gaps = 0.0, []
    for _day in range(30):
        for _minute in range(1440):
            buffer.add(now_s, 1e-9)
            now_s += 60.0
        gaps.append((now_s - 60.0, now_s + 7200.0))
        buffer.gap(7200.0)
        now_s += 7200.0

    trace = buffer.trace(now_s, 900)
    breaks = [
        t for t, value in zip(trace.elapsed_s, trace.offset, strict=True) if math.isnan(value)
    ]
    assert len(breaks) == 30
    for begin_s, end_s in gaps:
        inside = [t for t in finite(trace.elapsed_s) if begin_s + 1 < t < end_s]
        assert inside == []


def test_memory_is_bounded_and_the_beginning_stays():
    """100 000 readings and a gap a minute: memory is constant, and the start is kept."""
    buffer = History(capacity=512)
    tracemalloc.start()
    sizes = []
    for number in range(100_000):
        buffer.add(float(number), number * 1e-15)
        if number % 60 == 0:
            buffer.gap(1.0)
        if number in {50_000, 99_999}:
            sizes.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()

    trace = buffer.trace(1e9, 300)
    assert sizes[1] < sizes[0] * 1.2 + 50_000
    assert trace.elapsed_s[0] == 0.0
    assert trace.elapsed_s[-1] == 99_999.0
    assert len(trace.elapsed_s) <= 300


def test_reading_the_history_while_readings_are_added():
    """A reader on another thread never gets a broken table."""
    buffer = History(capacity=256)
    done = threading.Event()
    faults: list[str] = []

    def ask() -> None:
        while not done.is_set():
            trace = buffer.trace(5000.0, 100)
            if any(a > b for a, b in zip(trace.elapsed_s, trace.elapsed_s[1:], strict=False)):
                faults.append("out of order")
            if any(
                value != t * 1e-12 for t, value in zip(trace.elapsed_s, trace.offset, strict=True)
            ):
                faults.append("torn")

    reader = threading.Thread(target=ask)
    reader.start()
    for number in range(30_000):
        buffer.add(float(number), number * 1e-12)
    done.set()
    reader.join()

    assert faults == []
