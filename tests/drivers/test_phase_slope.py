"""Time-interval counters: the offset from the unwrapped slope, with its noise unchanged.

y = dx/dt with x the time error of the source (IEEE Std 1139-2008, from memory). Deviations of phase
and of frequency data are compared with allantools, which shares no code with the product.
"""

from decimal import Decimal

import allantools
import numpy as np
import pytest
from profile_kit import talking
from seed_kit import unseen_seed

from benchwatch.acquire.reading_maker import ReadingMaker
from benchwatch.errors import ReplyError, ReplyTimeout
from benchwatch_drivers.profile.phase_slope import PhaseSlope
from benchwatch_drivers.profile.profile import IntervalForm

TEN_MHZ = Decimal(10_000_000)


def written(interval_s: float) -> str:
    """Return an interval as a talk-only counter writes it, to a picosecond."""
    return f"{Decimal(round(interval_s * 1e12)).scaleb(-12):+E}"


def offsets(intervals: list[float], form: IntervalForm | None = None) -> list[float]:
    """Return the offsets of intervals that are a second apart."""
    slope = PhaseSlope(form or IntervalForm())
    slope.add(Decimal(repr(intervals[0])), -1.0)  # makes the next one come in time
    found = [slope.add(Decimal(repr(x)), float(at)) for at, x in enumerate(intervals)]
    return [float(y) for y in found if y is not None]


def test_a_source_that_runs_fast_shrinks_the_interval() -> None:
    """From reference to source: 37 ns less every second is 37 ppb fast."""
    assert offsets([0.25, 0.249999963, 0.249999926]) == pytest.approx([37e-9, 37e-9], rel=1e-9)


def test_a_source_that_starts_the_interval_lets_it_grow() -> None:
    """With the inputs exchanged, the sign changes."""
    form = IntervalForm(starts_with_source=True)

    assert offsets([0.25, 0.250000037], form) == pytest.approx([37e-9], rel=1e-9)


@pytest.mark.parametrize("offset", [37e-9, -37e-9, 4e-4])
def test_an_interval_that_wraps_goes_on_without_a_step(offset: float) -> None:
    """An interval past zero becomes a whole period, and the other way round."""
    intervals = [(1e-7 - offset * k) % 1.0 for k in range(40)]

    assert offsets(intervals) == pytest.approx([offset] * 39, abs=1e-15)


def test_phase_of_a_carrier_wraps_at_its_own_period() -> None:
    """A phase meter at 10 MHz wraps every 100 ns, with a line a second."""
    form = IntervalForm(period_s=Decimal("1e-7"), spacing_s=Decimal(1))
    intervals = [(5e-8 - 1.3e-8 * k) % 1e-7 for k in range(30)]

    assert offsets(intervals, form) == pytest.approx([1.3e-8] * 29, abs=1e-15)


def test_a_step_of_more_than_a_quarter_period_is_refused() -> None:
    """It may be one of the other sign."""
    slope = PhaseSlope(IntervalForm(period_s=Decimal("1e-7")))
    slope.add(Decimal("1e-8"), 0.0)
    slope.add(Decimal("1e-8"), 1.0)

    with pytest.raises(ReplyError, match="other way round"):
        slope.add(Decimal("4e-8"), 2.0)


def test_a_missing_interval_is_never_bridged() -> None:
    """After two seconds without a line the slope restarts."""
    slope = PhaseSlope(IntervalForm())
    times = (0.0, 1.0, 2.0, 4.0, 5.0, 6.0)

    found = [slope.add(Decimal("0.25") - k * Decimal("1e-9"), at) for k, at in enumerate(times)]

    assert [y is None for y in found] == [True, True, False, True, True, False]


def test_an_interval_that_was_held_up_is_no_neighbour_of_the_next() -> None:
    """It comes 3.9 s late; the next one, 1.1 s later, is really five away from it."""
    slope = PhaseSlope(IntervalForm())
    measured_and_arrived = [(0, 0.0), (1, 1.0), (2, 2.0), (3, 6.9), (8, 8.0), (9, 9.0), (10, 10.0)]

    found = [slope.add(Decimal("0.25") - at * Decimal("37e-9"), arrived)
             for at, arrived in measured_and_arrived]  # fmt: skip

    assert [y for y in found if y is not None] == [Decimal("37e-9")] * 3


def test_differences_add_up_to_the_whole_change_of_phase() -> None:
    """No rounding: the offsets times the spacing are exactly the phase."""
    dice = np.random.default_rng(unseen_seed())
    intervals = [Decimal(int(n)).scaleb(-12) for n in dice.integers(10**11, 2 * 10**11, 500)]
    slope = PhaseSlope(IntervalForm())

    found = [slope.add(x, float(at)) for at, x in enumerate(intervals)]

    assert sum(y for y in found if y is not None) == intervals[1] - intervals[-1]


def test_white_phase_noise_stays_white_phase_noise() -> None:
    """Deviations of the readings are those of the phase itself, at every averaging time."""
    dice = np.random.default_rng(unseen_seed())
    phase_s = 0.25 + 1e-10 * dice.standard_normal(2000) - 3e-9 * np.arange(2000)
    rounded = np.round(phase_s, 12)

    y = np.array(offsets([float(x) for x in rounded]))

    for deviation in (allantools.oadev, allantools.mdev):
        taus, of_phase, *_ = deviation(rounded, rate=1.0, data_type="phase", taus="octave")
        _, of_readings, *_ = deviation(y, rate=1.0, data_type="freq", taus=taus)
        assert of_readings == pytest.approx(of_phase, rel=1e-6)
    _, (at_1s, at_2s), *_ = allantools.mdev(y, rate=1.0, data_type="freq", taus=[1, 2])
    assert at_1s / at_2s == pytest.approx(2**1.5, rel=0.15)  # tau^-3/2, NIST SP 1065 table 5.1


# ------------------------------------------------------------- the counter with it


def test_a_stream_of_intervals_becomes_readings_of_the_nominal() -> None:
    """1 PPS from 10 MHz: the offset of the pulses is the offset of the oscillator."""
    lines = [(1.0 + k, written(0.25 - 37e-9 * k)) for k in range(7)]
    counter, link = talking("interval-talk-only", lines)
    maker = ReadingMaker("main", TEN_MHZ, clock=link.clock, origin_s=0.0)
    maker.set_gate(counter.gate_s())

    readings = [maker.make(counter.measure(2.5)).reading for _ in range(3)]

    assert [r.offset for r in readings] == pytest.approx([37e-9] * 3, rel=1e-9)
    assert [r.offset_hz for r in readings] == pytest.approx([0.37] * 3, rel=1e-9)
    assert [r.elapsed_s for r in readings] == pytest.approx([3.5, 4.5, 5.5])
    assert readings[0].resolution_hz == pytest.approx(1e-5)
    assert readings[0].text == "10000000.37"


def test_without_a_nominal_the_pulses_themselves_are_judged() -> None:
    """As the carrier is unknown: 1 Hz, and the same fraction."""
    counter, link = talking("interval-talk-only", [(k, written(0.25 - 1e-8 * k)) for k in range(5)])
    maker = ReadingMaker("main", None, clock=link.clock, origin_s=0.0)

    reading = maker.make(counter.measure(2.5)).reading

    assert maker.nominal == 1
    assert reading.offset == pytest.approx(1e-8)


def test_a_lost_pulse_costs_a_reading_and_invents_none() -> None:
    """A missing pulse, or a jump, restarts the slope."""
    times = (0.0, 1.0, 2.0, 3.0, 7.0, 8.0, 9.0, 10.0)
    lines = [(at, written(0.25 - 1e-8 * at)) for at in times]
    counter, _ = talking("interval-talk-only", lines)
    first = counter.measure(2.5)

    with pytest.raises(ReplyTimeout):
        counter.measure(2.5)
    second = counter.measure(2.5)

    assert [float(m.offset or 0) for m in (first, second)] == pytest.approx([1e-8, 1e-8])


def test_lines_held_up_on_a_busy_computer_make_no_neighbours() -> None:
    """Line 1 comes 0.1 s late, 2 half a second, 3 not at all: 4 is no neighbour of 2."""
    slope = PhaseSlope(IntervalForm())
    arrived_s = {-1: -1.0, 0: 0.0, 1: 1.1, 2: 2.55, 4: 4.0, 5: 5.0, 6: 6.0}

    found = {k: slope.add(Decimal("0.25") - k * Decimal("1e-8"), at_s)
             for k, at_s in arrived_s.items()}  # fmt: skip

    assert found == {-1: None, 0: None, 1: Decimal("1e-8"), 2: None, 4: None, 5: None,
                     6: Decimal("1e-8")}  # fmt: skip


def test_an_interval_longer_than_the_period_is_refused() -> None:
    """The next pulse would have come before."""
    lines = [(0.0, written(0.1)), (1.0, written(0.1)), (2.0, "+1.5E-0")]
    counter, _ = talking("interval-talk-only", lines)

    with pytest.raises(ReplyError, match="more than the period"):
        counter.measure(2.5)


def test_an_interval_said_twice_costs_no_reading() -> None:
    """The copy comes at an odd time and is ignored; the next interval is a neighbour."""
    lines = [(float(at), written(0.25 - 37e-9 * at)) for at in range(1, 8)]
    counter, _ = talking("interval-talk-only", sorted([*lines, (5.001, lines[4][1])]))

    taken = [counter.measure(5.0) for _ in range(4)]

    arrived_s = [m.arrived_s for m in taken]
    assert arrived_s == [4.0, 5.0, 6.0, 7.0]
    assert [float(m.offset or 0) for m in taken] == pytest.approx([37e-9] * 4, rel=1e-4)
