"""Commands to a running watch by its handle change numbers, log, journal and counter."""

import json

import numpy as np
import pytest
from journal_kit import read_events, read_runs
from pipeline_kit import NOMINAL, START_UTC_S, StillClock, reading

from benchwatch.acquire import CounterStatus
from benchwatch.counter import Identity, LinkStatus, Setup, TimeBase
from benchwatch.errors import BenchwatchError, NoReadings, UsageError
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord, Reference
from benchwatch.journal import Journal
from benchwatch.plan import Plan
from benchwatch.reading import Gap, Record
from benchwatch.run.live_watch import LiveWatch
from benchwatch.snapshot import Snapshot

CONNECTED = CounterStatus(
    link=LinkStatus("reading", 0.5),
    identity=Identity(text="SIMULATED"),
    time_base=TimeBase("external"),
    gate_s=1.0,
    nominal=NOMINAL,
)
REFERENCE = Reference(name="station reference", u=2e-11)


class FakeThread:
    """A fake of the thread that reads a counter; records requests."""

    def __init__(self, **asked):
        self.asked, self.requests = asked, []

    def start(self):
        """Publish a connection."""
        self.asked["on_status"](CONNECTED)

    def feed(self, offsets, since=0):
        """Take one reading a second."""
        for second, offset_hz in enumerate(offsets, start=since):
            self.asked["on_event"](reading(second, f"{10_000_000 + offset_hz:.4f}"))

    def request(self, setup):
        """Record the request."""
        self.requests.append(setup)

    def set_nominal(self, nominal):
        """Publish the nominal, as the real thread does."""
        self.asked["on_status"](
            CounterStatus(
                link=CONNECTED.link,
                identity=CONNECTED.identity,
                time_base=CONNECTED.time_base,
                gate_s=CONNECTED.gate_s,
                nominal=nominal,
            )
        )

    def stop(self):
        """Do nothing."""

    def join(self, timeout):
        """Do nothing."""


@pytest.fixture
def bench(tmp_path):
    """Return a watch of one counter, its fake thread, its handle and its journal."""
    journal = Journal(tmp_path / "journal.db")
    made = []
    plan = Plan(
        name="main",
        resource="TCPIP0::h::1::SOCKET",
        nominal=NOMINAL,
        tolerance=1e-9,
        reference=REFERENCE,
    )
    run = LiveWatch(
        [plan], journal=journal, lines=True, clock=StillClock(),
        acquire=lambda **asked: made.append(FakeThread(**asked)) or made[0],
    )  # fmt: skip
    run.start()
    yield run, made[0], run.counter("main"), tmp_path / "journal.db"
    run.stop()
    journal.close()


def now(run: LiveWatch) -> Snapshot:
    """Return the newest state."""
    return run.counter("main").snapshot


def noisy(count: int, level: float, seed: int = 5) -> np.ndarray:
    """Make readings in hertz: white noise of 1e-4 Hz at a level."""
    return level + np.random.default_rng(seed).normal(0.0, 1e-4, count).round(4)


def test_as_found_is_kept_when_the_first_nudge_comes(bench):
    """Automatically; the quiet stretch before the turn is on record, also in the journal."""
    run, counter, _, path = bench
    counter.feed(noisy(30, 0.4))
    before = now(run).records
    counter.feed(noisy(10, 0.1, seed=6), since=30)

    records = now(run).records
    assert before is None
    assert records is not None
    assert records.as_found is not None
    assert records.as_found_automatic
    assert records.as_found.offset_hz == pytest.approx(0.4, abs=2e-4)
    kept = [e for e in read_events(path, read_runs(path)[0]) if isinstance(e, Record)]
    assert [event.kind for event in kept] == ["as found"]
    again = OffsetRecord.from_dict(json.loads(kept[0].document))
    assert again == records.as_found


def test_as_left_carries_its_budget(bench):
    """The sentence has value and uncertainty; the budget includes the stated reference."""
    run, counter, handle, _ = bench
    counter.feed(noisy(60, 0.002))
    said = handle.record("as left")

    records = now(run).records
    assert records is not None
    assert records.as_left is not None
    assert said.startswith("as left: +0.200 ± 0.021 ppb")
    assert "60 readings" in said
    names = [line.name for line in records.as_left.budget.lines]
    assert {"noise", "resolution", "station reference"} <= set(names)
    assert records.as_left.u > REFERENCE.u
    assert ("time base", "external") in records.as_left.conditions
    assert [note.kind for note in now(run).logged_events or ()] == ["record"]


def test_nothing_is_recorded_without_an_estimate(bench):
    """A sentence, and no record."""
    run, _, handle, _ = bench
    with pytest.raises(NoReadings, match="nothing to record"):
        handle.record("as found")

    assert now(run).records is None


def test_new_limits_hold_at_once_and_lose_nothing(bench):
    """Tolerance and settle limit are applied to the readings so far."""
    run, counter, handle, _ = bench
    counter.feed(noisy(40, 0.03))
    outside = now(run).numbers.tolerance
    said = handle.change("tolerance", "50 mHz")
    handle.change("settle", "1ppb/10s")
    counter.feed(noisy(20, 0.03), since=40)

    numbers = now(run).numbers
    assert outside is not None
    assert not outside.inside
    assert "5" in said
    assert numbers.tolerance is not None
    assert numbers.tolerance.inside
    assert numbers.settle is not None
    assert numbers.estimate is not None
    assert numbers.estimate.readings > 40
    assert [note.kind for note in now(run).logged_events or ()][:2] == ["setting", "setting"]


def test_a_gate_is_asked_of_the_counter_and_nothing_else(bench):
    """The request goes to the thread that owns the counter."""
    _, counter, handle, _ = bench
    handle.change("gate", "2s")

    assert counter.requests == [Setup(gate_s=2.0)]


def test_another_nominal_restarts_the_numbers(bench):
    """Offsets from two nominals are never in one estimate or one chart."""
    run, counter, handle, _ = bench
    counter.feed(noisy(20, 0.03))
    handle.change("nominal", "10000001 Hz")
    after = now(run)

    assert after.nominal_hz == 10_000_001
    assert after.numbers.estimate is None
    assert run.counter("main").trace(100.0, 50).offset == ()


@pytest.mark.parametrize(
    ("setting", "text"),
    [("tolerance", "5"), ("tolerance", "-1ppb"), ("settle", "1ppb"), ("gate", "1m"),
     ("nominal", "10mhz"), ("volume", "11")],
)  # fmt: skip
def test_a_text_that_is_no_quantity_changes_nothing(bench, setting, text):
    """It gives a sentence."""
    run, counter, handle, _ = bench
    counter.feed(noisy(5, 0.03))
    before = now(run)
    with pytest.raises(BenchwatchError):
        handle.change(setting, text)

    assert now(run) == before
    assert counter.requests == []


def test_the_same_nominal_again_changes_nothing(bench):
    """The sentence says so, and the numbers stay."""
    run, _, handle, _ = bench
    before = now(run)

    assert handle.change("nominal", "10MHz") == "nominal 10 MHz, as it was"
    assert now(run).numbers == before.numbers


def test_a_nominal_far_from_the_readings_is_refused(bench):
    """Every reading would be refused under it; the sentence has both, and a remedy."""
    run, counter, handle, _ = bench
    run._clock.now_s += 20.0
    counter.feed(noisy(20, 0.03))
    before = now(run)
    with pytest.raises(UsageError, match=r"reads 10\.0000.* MHz.* nowhere near 5 MHz") as raised:
        handle.change("nominal", "5MHz")

    assert "Type the nominal of the source that is connected" in str(raised.value)
    assert now(run) == before


def test_another_nominal_is_taken_once_the_source_is_gone(bench):
    """Without current readings another oscillator may be connected by now."""
    run, counter, handle, _ = bench
    counter.feed(noisy(20, 0.03))
    run._clock.now_s += 60.0
    handle.change("nominal", "5MHz")

    assert now(run).nominal_hz == 5e6


def test_as_left_from_an_old_reading_is_refused(bench):
    """The sentence has its age; nothing is put on record."""
    run, counter, handle, _ = bench
    counter.feed(noisy(20, 0.03))
    run._clock.now_s += 28.0
    with pytest.raises(NoReadings, match="9 s old"):
        handle.record("as left")

    assert now(run).records is None


def test_as_left_with_the_tool_on_has_a_caution_everywhere(bench):
    """In the sentence, the log, the record and the journal."""
    run, counter, handle, path = bench
    counter.feed(noisy(60, 0.002))
    handle.touch(on=True)
    said = handle.record("as left")
    kept = [e for e in read_events(path, read_runs(path)[0]) if isinstance(e, Record)]

    assert said.endswith("; caution: tool on the trimmer")
    assert "at least" in said
    assert (now(run).logged_events or ())[-1].text.endswith("caution: tool on the trimmer")
    assert ["caution", "tool on the trimmer"] in json.loads(kept[0].document)["conditions"]


def test_the_tool_and_its_pull(bench):
    """The step after the key is the tool's, and does not freeze as found."""
    run, counter, handle, _ = bench
    counter.feed(noisy(30, 0.01))
    handle.touch(on=True)
    trim = now(run).trim

    assert trim is not None
    assert trim.tool is not None
    assert trim.tool.on


def test_a_gap_is_logged_and_restarts_a_landing(bench):
    """After a long gap the hold of a landing restarts; the log has its length and reason."""
    run, counter, _, _ = bench
    counter.feed(noisy(40, 0.0))
    held = now(run).trim
    counter.asked["on_event"](
        Gap(
            counter="main",
            utc_s=START_UTC_S + 40,
            elapsed_s=40.0,
            lasted_s=7200.0,
            reason="no reply within 2.5 s",
        )
    )

    trim = now(run).trim
    assert held is not None
    assert held.landing is not None
    assert held.landing.state != "outside"
    assert trim is not None
    assert trim.landing is None
    assert [note.kind for note in now(run).logged_events or ()][-1] == "gap"
