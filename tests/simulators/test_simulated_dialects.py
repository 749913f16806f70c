"""Counters without SCPI: terse letters, talk-only, time intervals; on a clock that jumps."""

import itertools
import re
import statistics
from decimal import Decimal

import pytest
from simulated_kit import a_counting

from benchwatch_simulators.bench_time import BenchTime, LeapClock
from benchwatch_simulators.counters.interval_counter import IntervalCounter, Pulses
from benchwatch_simulators.counters.talk_only import Gates, TalkOnlyCounter, write_display
from benchwatch_simulators.counters.terse_counter import OVERFLOW, TerseCounter, write_fixed_width
from benchwatch_simulators.oscillator.oscillator import OscillatorSpec

OFF = OscillatorSpec(landing=3.7e-8)


def a_terse_counter(counting=None, clock=None):
    """Return a terse counter whose gates take no real time."""
    clock = clock or LeapClock()
    return TerseCounter(0.1, counting or a_counting(OFF), BenchTime(clock))


def test_a_terse_reading_is_fixed_in_width():
    """A header, the mantissa in MHz, an exponent, whatever the digits."""
    texts = ("10000000.3696", "4999999.89", "32768")
    written = [write_fixed_width(Decimal(text)) for text in texts]

    assert written == ["F   10.0000003696E+06", "F      4.99999989E+06", "F        0.032768E+06"]


def test_terse_letters_set_the_gate_and_take_a_reading():
    """The gate passes on the bench's clock; the reading is right to a count."""
    clock = LeapClock()
    counter = a_terse_counter(clock=clock)
    silent = [counter.execute(line) for line in ("G2", "F", "XYZ", "", "g9")]
    began_s = clock.monotonic()
    reading = counter.execute("T")

    assert silent == [None] * 5
    assert clock.monotonic() - began_s == pytest.approx(1.0)
    assert float(reading[1:]) == pytest.approx(10_000_000.37, abs=2e-4)


def test_a_terse_counter_without_a_signal_sends_nothing():
    """Its gate never opens; too high a frequency gives dashes."""
    counting = a_counting(OFF)
    counting.signal_present = False

    assert a_terse_counter(counting).talk() is None
    assert a_terse_counter(a_counting(OFF, maximum_hz=Decimal(1000))).talk() == OVERFLOW


def test_power_on_and_device_clear_reset_the_gate():
    """As was usual before IEEE 488.2 forbade the latter."""
    counter = a_terse_counter()
    gates = []
    for forget in (counter.power_cycle, counter.clear):
        counter.execute("G3")
        gates.append(counter.gate_s)
        forget()
        gates.append(counter.gate_s)

    assert gates == [10.0, 0.1, 10.0, 0.1]


def a_talk_only_counter(source, clock):
    """Return a talk-only counter on a clock that jumps."""
    return TalkOnlyCounter(source, BenchTime(clock))


@pytest.mark.parametrize(
    ("style", "form"),
    [("number", r"\+1\.0000000\d+E\+7"), ("display", r"10\.000 000 3\d\d( \d+)? MHz")],
)
def test_a_talk_only_counter_sends_a_line_a_gate(style, form):
    """Numbered by gate, on time, in its format."""
    clock = LeapClock()
    talker = a_talk_only_counter(Gates(a_counting(OFF), 0.25, 0.05, style), clock)
    answers = []
    number = talker.newest
    for _ in range(3):
        number, line = talker.next_line(number)
        answers.append((number, round(clock.monotonic(), 6), bool(re.fullmatch(form, line))))

    assert answers == [(0, 0.25, True), (1, 0.55, True), (2, 0.85, True)]


def test_every_client_gets_the_same_line():
    """A gate is counted once."""
    talker = a_talk_only_counter(Gates(a_counting(OFF), 0.25, 0.0, "number"), LeapClock())

    assert talker.next_line(-1) == talker.next_line(-1)


def test_the_display_groups_its_digits():
    """In threes after the point."""
    assert write_display(Decimal("10000000.24")) == "10.000 000 24 MHz"
    assert write_display(Decimal("4999999.8896")) == "4.999 999 889 6 MHz"


def intervals(count, *, first_s=0.25, period_s=1.0, **spec):
    """Return the first intervals of a noiseless oscillator 37 ppb fast, in seconds."""
    pulses = Pulses(a_counting(OFF, **spec), period_s, first_s)
    return [float(pulses.line(number)) for number in range(count)]


def test_the_interval_of_a_fast_oscillator_falls_by_its_offset():
    """Offset = -slope of the time error (IEEE Std 1139, x(t) and y = dx/dt; sign as wired)."""
    taken = intervals(11)

    assert taken[0] == pytest.approx(0.25, abs=1e-11)
    assert (taken[10] - taken[0]) / 10 == pytest.approx(-3.7e-8, abs=2e-12)


def test_the_interval_wraps_to_a_period():
    """Past zero the stop is the pulse before: 50 ns and three steps of 18.5 ns is -5.5 ns."""
    taken = intervals(5, first_s=5e-8, period_s=0.5)

    assert taken[2] == pytest.approx(13e-9, abs=2e-11)
    assert taken[3] == pytest.approx(0.5 - 5.5e-9, abs=2e-11)
    assert taken[4] < taken[3]


def test_the_resolution_of_an_interval_scatters_by_a_tick():
    """An edge falls anywhere between two ticks: rms t/sqrt(6) a reading, and right in the mean.

    Rounding x/t up with the probability of its fraction f has the variance f(1-f), in the
    mean over f 1/6; a step between two has twice that.
    """
    taken = intervals(2000, t_res_s=0.91e-9)
    steps = [b - a + 3.7e-8 for a, b in itertools.pairwise(taken)]

    assert statistics.mean(steps) == pytest.approx(0.0, abs=2e-12)
    assert statistics.stdev(steps) == pytest.approx(0.91e-9 / 3**0.5, rel=0.1)


def test_an_interval_counter_reads_on_the_pulse():
    """READ? waits for the next pulse, FETC? repeats, without a signal 9.91E37."""
    clock = LeapClock()
    pulses = Pulses(a_counting(OFF), 1.0, 0.25)
    counter = IntervalCounter("A,B,C,D", pulses, BenchTime(clock))
    nothing_yet = counter.execute("FETC?")
    first, second = counter.execute("READ?"), counter.execute("READ?")
    again = counter.execute("FETC?")
    at_s = clock.monotonic()
    pulses.counting.signal_present = False

    assert nothing_yet is None
    assert float(second) - float(first) == pytest.approx(-3.7e-8, abs=2e-11)
    assert again == second
    assert at_s == pytest.approx(2.0)
    assert counter.execute("READ?") == "+9.91E+37"
