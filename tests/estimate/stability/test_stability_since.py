"""The live deviations of the last part of a run: since the last nudge, or since it settled."""

from dataclasses import replace

import numpy as np
import pytest
import screen_kit as kit
from seed_kit import unseen_seed

from benchwatch.estimate.results import Nudge, Numbers, Settle
from benchwatch.pipeline.analysis import Analysis
from benchwatch.pipeline.history import History
from benchwatch.pipeline.slow_statistics import StabilityTracker
from benchwatch.reading import Reading
from benchwatch.screen.preferences import Preferences
from benchwatch.screen.views.stability_view import shown
from benchwatch.snapshot import StabilityNow


def fed(offsets: list[float]) -> Analysis:
    """Run estimate and slow statistics over offsets, one a second."""
    made = Analysis(1e7, None, None)
    for k, y in enumerate(offsets):
        made.add(
            Reading(
                counter="main",
                utc_s=1e9 + k,
                elapsed_s=float(k),
                gate_s=1.0,
                text="",
                frequency_hz=1e7 * (1 + y),
                offset_hz=1e7 * y,
                offset=y,
            )
        )
    return made


def stability_of(made: Analysis) -> StabilityNow:
    """Return the deviations so far."""
    return made.stability.now(made.history)


def test_it_begins_at_the_last_nudge_by_itself() -> None:
    """A turn of 20 σ at 300 s: the part since then shows the noise, the run the turn."""
    noise = np.random.default_rng(unseen_seed()).normal(0.0, 1e-10, 900)
    noise[:300] += 2e-9

    now = stability_of(fed(noise.tolist()))

    assert now.since == "nudge"
    assert now.since_s == pytest.approx(300.0, abs=2.0)
    assert now.readings == 900
    assert now.since_readings == pytest.approx(600, abs=2)
    whole = {row.tau_s: row.value for row in now.deviations if row.deviation == "oadev"}
    part = {row.tau_s: row.value for row in now.since_deviations if row.deviation == "oadev"}
    assert part[1.0] == pytest.approx(1e-10, rel=0.15)
    assert whole[64.0] > 3e-10
    assert part[64.0] < 5e-11


def test_the_later_of_both_counts() -> None:
    """Settled after a nudge, the part begins at settling; after a later nudge, at that."""
    deviations = StabilityTracker()

    def feed(first: int, last: int, numbers: Numbers) -> None:
        for k in range(first, last):
            deviations.add(float(k), 1e-9, numbers)

    def settled(since_s: float) -> Numbers:
        return Numbers(settle=Settle("settled", since_s, None))

    feed(0, 100, Numbers())
    deviations.add(100.0, 1e-9, Numbers(confirmed_nudge=Nudge(95.0, 1e-9, 1e-11)))
    first = deviations.now(History())
    feed(101, 150, Numbers())
    feed(150, 200, settled(150.0))
    second = deviations.now(History())
    deviations.add(200.0, 1e-9, Numbers(confirmed_nudge=Nudge(198.0, 1e-9, 1e-11)))
    feed(201, 230, settled(150.0))
    third = deviations.now(History())

    assert (first.since, first.since_s, first.since_readings) == ("nudge", 95.0, 6)
    assert (second.since, second.since_s, second.since_readings) == ("settled", 150.0, 50)
    assert (third.since, third.since_s, third.since_readings) == ("nudge", 198.0, 32)


def test_a_spike_does_not_enter() -> None:
    """After a lone wild reading of 300 σ the live deviation at 1 s is still the noise."""
    noise = np.random.default_rng(unseen_seed()).normal(0.0, 1e-10, 600)
    noise[[200, 400]] += 3e-8

    now = stability_of(fed(noise.tolist()))

    first = next(row for row in now.deviations if row.deviation == "oadev")
    assert first.value == pytest.approx(1e-10, rel=0.15)


def test_lost_readings_leave_the_long_averages() -> None:
    """One in a hundred lost: as long averages as with none, and the same within limits."""
    rng = np.random.default_rng(unseen_seed())
    noise = rng.normal(0.0, 1e-10, 4000)
    lost = rng.random(4000) < 0.01
    whole, broken = StabilityTracker(), StabilityTracker()
    for k, y in enumerate(noise.tolist()):
        whole.add(float(k), y)
        if not lost[k]:
            broken.add(float(k), y)
        if k == 1000:
            broken.now(History())

    one, two = (
        {row.tau_s: row.value for row in made.now(History()).deviations if row.deviation == "oadev"}
        for made in (whole, broken)
    )

    assert set(one) == set(two)
    for tau_s in (1.0, 4.0, 16.0, 64.0, 256.0):
        assert two[tau_s] == pytest.approx(one[tau_s], rel=0.1)


def test_a_key_shows_the_whole_run() -> None:
    """The view names its part, and w shows the whole run."""
    made = replace(kit.stability(), since_deviations=kit.stability().deviations[:12])
    part = kit.frame(kit.snapshot(stability=made))
    whole = kit.frame(kit.snapshot(stability=made), preferences=Preferences(whole_run=True))

    assert (len(shown(part)), len(shown(whole))) == (3, 9)
    assert "since the last nudge" in kit.plain("stability", part, 100, 24)
    assert "740 readings over 12 min, the whole run" in kit.plain("stability", whole, 100, 24)
