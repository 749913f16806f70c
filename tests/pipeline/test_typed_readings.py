"""Readings that a person types: pauses, pace, and for how long the newest one stands."""

import math
import random
from dataclasses import replace
from decimal import Decimal

import pytest
from pipeline_kit import NOMINAL, START_UTC_S

from benchwatch.counter import LinkStatus
from benchwatch.errors import NoReadings
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import Plan
from benchwatch.quantity import difference
from benchwatch.reading import AS_FOUND, TYPED, Reading
from benchwatch.snapshot import Snapshot
from benchwatch.staleness import TYPED_CURRENT_S, is_current

NOISE_HZ = 2e-3


class Typist:
    """Types readings into a pipeline at times of its own."""

    def __init__(self, seed: int = 3) -> None:
        plan = Plan(name="main", resource=TYPED, nominal=NOMINAL, tolerance=5e-9)
        self.pipeline = Pipeline(plan, utc_s=START_UTC_S)
        self.now_s = 0.0
        self._random = random.Random(seed)

    def type_one(self, offset_hz: float, after_s: float) -> Snapshot:
        """Type a reading near `offset_hz`, `after_s` seconds after the one before."""
        self.now_s += after_s
        noisy = offset_hz + self._random.gauss(0.0, NOISE_HZ)
        text = f"{NOMINAL + Decimal(repr(noisy)):.3f}"
        shown_hz, shown = difference(Decimal(text), NOMINAL)
        now = self.pipeline.take(
            Reading(
                counter="main",
                utc_s=START_UTC_S + self.now_s,
                elapsed_s=self.now_s,
                gate_s=None,
                text=text,
                frequency_hz=float(text),
                offset_hz=shown_hz,
                offset=shown,
                resolution_hz=1e-3,
                flags=frozenset({TYPED}),
            )
        )
        return replace(now, link=LinkStatus("reading", 0.0))

    def type_some(self, count: int, offset_hz: float) -> Snapshot:
        """Type readings at the uneven pace of a person: 5 s to a minute apart."""
        for _ in range(count):
            now = self.type_one(offset_hz, self._random.uniform(5.0, 60.0))
        return now


def test_uneven_pauses_of_minutes_are_one_level() -> None:
    """The level is the mean of all readings, with an uncertainty that covers the truth."""
    typist = Typist()
    typist.type_some(8, 0.09)
    typist.type_one(0.09, 400.0)

    now = typist.type_some(8, 0.09)

    estimate = now.numbers.estimate
    assert estimate is not None
    assert estimate.u is not None
    assert estimate.readings > 10
    assert abs(estimate.offset - 0.09e-7) < 3 * estimate.u < 3e-9
    assert now.gaps == 0
    assert now.numbers.last_nudge is None


def test_a_turn_within_a_pause_is_a_nudge() -> None:
    """A person turns while nothing is typed; as found is kept from before it."""
    typist = Typist()
    typist.type_some(12, 0.37)

    typist.type_one(0.12, 300.0)
    now = typist.type_some(6, 0.12)

    assert now.numbers.last_nudge is not None
    assert now.numbers.last_nudge.size == pytest.approx(-0.25e-7, rel=0.05)
    assert now.records is not None
    assert now.records.as_found is not None
    assert now.records.as_found.offset == pytest.approx(0.37e-7, rel=0.02)


def test_what_moved_over_hours_is_no_nudge() -> None:
    """After so long it may have moved by itself: the level begins anew, and nothing is kept."""
    typist = Typist()
    typist.type_some(12, 0.37)

    typist.type_one(0.12, 3 * 3600.0)
    now = typist.type_some(6, 0.12)

    assert now.numbers.last_nudge is None
    assert now.records is None
    assert now.gaps == 0
    assert now.numbers.estimate is not None
    assert now.numbers.estimate.offset == pytest.approx(0.12e-7, rel=0.05)


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("lasts_s", [300.0, 900.0, 2000.0])
def test_what_a_warm_up_does_in_a_pause_is_no_nudge(seed: int, lasts_s: float) -> None:
    """An oven that comes in while nothing is typed for minutes: no nudge, and no as found."""
    typist, pace = Typist(seed), random.Random(seed + 100)

    for _ in range(60):
        pause_s = pace.uniform(200, 590) if pace.random() < 0.1 else pace.uniform(5, 60)
        now = typist.type_one(math.exp(-typist.now_s / lasts_s), pause_s)

    assert now.numbers.last_nudge is None
    assert now.records is None


def test_a_typed_reading_stands_for_ten_minutes() -> None:
    """And longer for a person who always takes longer."""
    typist = Typist()
    now = typist.type_some(8, 0.09)

    assert is_current(now, typist.now_s + TYPED_CURRENT_S - 1.0)
    assert not is_current(now, typist.now_s + TYPED_CURRENT_S + 1.0)

    for _ in range(8):
        now = typist.type_one(0.09, 900.0)

    assert is_current(now, typist.now_s + 1800.0)
    assert not is_current(now, typist.now_s + 2800.0)


def test_a_record_is_made_at_the_pace_of_typing_and_not_of_an_old_reading() -> None:
    """Minutes after the newest reading it is made; after an hour it is refused."""
    typist = Typist()
    now = typist.type_some(8, 0.09)
    typist.pipeline._snapshot = now

    made = typist.pipeline.record(AS_FOUND, START_UTC_S + typist.now_s, typist.now_s + 240.0)

    assert made.readings == 8
    with pytest.raises(NoReadings, match="no readings come"):
        typist.pipeline.record(AS_FOUND, START_UTC_S, typist.now_s + 3600.0)


def test_no_deviations_are_worked_out_at_uneven_times() -> None:
    """An Allan deviation needs readings at even times."""
    typist = Typist()
    typist.type_some(40, 0.09)

    typist.pipeline.refresh()

    stability = typist.pipeline.snapshot.stability
    assert stability is not None
    assert stability.readings == 0
    assert stability.deviations == ()
