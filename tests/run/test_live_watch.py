"""A run: events to disk, numbers and snapshots, and its ends."""

import json
import math
import os
import threading
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from journal_kit import read_events, read_runs
from load_kit import LONGEST_WAIT_S
from pipeline_kit import NOMINAL, START_UTC_S, StillClock, reading

from benchwatch.acquire import CounterStatus
from benchwatch.counter import Identity, LinkStatus, Setup, TimeBase
from benchwatch.errors import (
    ConnectionFailed,
    DriverError,
    InputEnded,
    JournalError,
    NoReadings,
    NotACounter,
    UsageError,
)
from benchwatch.estimate.live_estimate import LiveEstimate
from benchwatch.estimate.results import Settle, SettleLimit
from benchwatch.journal import Journal
from benchwatch.pipeline.event_pipeline import MARKS_KEPT
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import Plan
from benchwatch.reading import Gap, Mark
from benchwatch.run.counters_in_run import RunLimits, RunOutcome
from benchwatch.run.live_watch import NOT_SETTLED, LiveWatch

PLAN = Plan(
    name="main", resource="TCPIP0::127.0.0.1::5025::SOCKET", nominal=NOMINAL, tolerance=5e-9
)
GAP = Gap(
    counter="main",
    utc_s=START_UTC_S + 3,
    elapsed_s=3.0,
    lasted_s=6.2,
    reason="no reply within 2.5 s",
)
CONNECTED = CounterStatus(
    link=LinkStatus("reading", 0.5),
    identity=Identity(text="SIMULATED"),
    time_base=TimeBase("external"),
    gate_s=1.0,
    nominal=NOMINAL,
)


class Script:
    """A fake of the thread that reads a counter; plays its steps when started."""

    def __init__(self, steps, **asked):
        self.steps, self.asked, self.stopped = steps, asked, False

    def start(self):
        """Play all steps."""
        for step in self.steps:
            if self.stopped:
                return
            if isinstance(step, CounterStatus):
                self.asked["on_status"](step)
            elif isinstance(step, Exception):
                self.asked["on_failure"](step)
            elif callable(step):
                step()
            else:
                self.asked["on_event"](step)

    def stop(self):
        """Stop after the present step."""
        self.stopped = True

    def join(self, timeout):
        """Do nothing."""


def watch(*scripts, limits=None, journal=None, clock=None, plans=None) -> LiveWatch:
    """Return a watch whose counters play `scripts`, one each."""
    plans = plans or [replace(PLAN, name=name) for name in ("main", "five")[: len(scripts)]]
    steps = dict(zip([plan.name for plan in plans], scripts, strict=True))
    return LiveWatch(
        plans,
        journal=journal,
        limits=limits,
        lines=True,
        clock=clock or StillClock(),
        acquire=lambda **asked: Script(steps[asked["name"]], **asked),
    )


def drained(run: LiveWatch) -> list:
    """Return the events for which lines would be written."""
    items = []
    while not run.events.empty():
        items.append(run.events.get())
    return [item and item[0] for item in items]


# ------------------------------------------------------------- the pipeline


def test_a_reading_is_on_disk_before_it_is_in_the_snapshot(tmp_path):
    """The journal is written first, before any snapshot has the reading."""
    seen = []

    class Spy(Journal):
        def write(self, run, event):
            super().write(run, event)
            seen.append(
                (pipeline.snapshot.reading, list(read_events(self.path, read_runs(self.path)[0])))
            )

    journal = Spy(tmp_path / "journal.db")
    pipeline = Pipeline(PLAN, journal=journal, utc_s=START_UTC_S)
    snapshot = pipeline.take(reading(1))
    journal.close()

    assert seen == [(None, [reading(1)])]
    assert snapshot.reading == reading(1)


def test_the_numbers_are_those_of_the_live_estimate():
    """The pipeline does not change them."""
    pipeline, alone = Pipeline(PLAN), LiveEstimate(tolerance=5e-9)
    for number in range(40):
        event = reading(number, f"10000000.{200 + number % 7:04d}")
        numbers = pipeline.take(event).numbers
        expected = alone.add(event.elapsed_s, event.offset, gate_s=1.0, resolution=1e-4 / 1e7)

        assert numbers == expected
    assert pipeline.snapshot.readings == 40


def test_a_turn_is_kept_as_found_where_only_fractions_are_known():
    """A recording of offsets has no nominal, nor has its record."""
    pipeline = Pipeline(replace(PLAN, nominal=None))
    noise = 1e-11 * np.random.default_rng(5).standard_normal(60)
    for number in range(60):
        offset = (1e-8 if number >= 40 else 0.0) + 3e-11 + float(noise[number])
        snapshot = pipeline.take(replace(reading(number), frequency_hz=math.nan, offset=offset))

    assert snapshot.records.as_found.nominal_hz is None
    assert snapshot.records.as_found.offset == pytest.approx(3e-11, abs=1e-11)


@pytest.mark.parametrize("flag", ["repeat", "overrange"])
def test_repeats_and_overrange_change_no_number(flag):
    """They are shown, but neither counted nor used in the estimate."""
    pipeline = Pipeline(PLAN)
    before = pipeline.take(reading(1))
    after = pipeline.take(reading(2, "10000009.9999", flags=frozenset({flag})))

    assert after.reading.flags == {flag}
    assert (after.readings, after.numbers.estimate) == (1, before.numbers.estimate)
    assert pipeline.trace(60.0, 100).elapsed_s == (1.0,)


def test_a_gap_is_counted_and_never_bridged():
    """After a gap the estimate restarts, and the trace has a break."""
    pipeline = Pipeline(PLAN)
    for number in range(3):
        pipeline.take(reading(number))
    gapped = pipeline.take(GAP)
    after = pipeline.take(reading(10, "10000000.5"))

    assert (gapped.gaps, gapped.last_gap) == (1, GAP)
    assert after.numbers.estimate.readings == 1
    assert any(value != value for value in pipeline.trace(60.0, 100).offset)  # noqa: PLR0124


def test_only_the_newest_marks_are_kept():
    """The snapshot does not grow for ever."""
    pipeline = Pipeline(PLAN)
    for number in range(MARKS_KEPT + 5):
        pipeline.take(
            Mark(counter="main", utc_s=START_UTC_S, elapsed_s=float(number), text=f"note {number}")
        )

    assert len(pipeline.snapshot.marks) == MARKS_KEPT
    assert pipeline.snapshot.marks[-1].text == f"note {MARKS_KEPT + 4}"


def test_the_counters_properties_reach_snapshot_and_journal(tmp_path):
    """Identity, time base, gate and the guessed nominal."""
    journal = Journal(tmp_path / "journal.db")
    pipeline = Pipeline(
        Plan(name="main", resource="R", setup=Setup(gate_s=1.0), settle=SettleLimit(1e-9, 600.0)),
        journal=journal,
        utc_s=START_UTC_S,
    )
    now = pipeline.connect(CONNECTED)
    pipeline.end(START_UTC_S + 9, 9.0, "count reached")
    journal.close()

    assert (now.identity, now.time_base, now.gate_s) == (
        Identity(text="SIMULATED"),
        TimeBase("external"),
        1.0,
    )
    assert (now.nominal_hz, now.link.state) == (1e7, "reading")
    (run,) = read_runs(tmp_path / "journal.db")
    assert (run.identity, run.time_base, run.nominal_hz) == (
        "SIMULATED",
        "external",
        Decimal(10**7),
    )
    asked = {"settle": 1e-09, "settle_horizon_s": 600.0, "set_gate_s": 1.0}
    assert json.loads(run.settings) == asked | {"process": os.getpid()}
    assert (run.ended_utc_s, run.end_reason) == (START_UTC_S + 9, "count reached")
    assert pipeline.snapshot.link == LinkStatus("ended", 9.0, "count reached")


def test_trouble_of_the_journal_is_in_the_snapshot_and_readings_go_on(tmp_path):
    """A journal that fails stops nothing, and every snapshot reports it."""
    journal = Journal(tmp_path / "journal.db", clock=StillClock())
    pipeline = Pipeline(PLAN, journal=journal)
    journal._file.connection.execute("PRAGMA max_page_count = 1")
    snapshots = [pipeline.take(reading(number)) for number in range(300)]
    with pytest.raises(JournalError, match="are not in it"):
        journal.close()

    assert "disk is full" in snapshots[-1].journal_trouble
    assert snapshots[-1].readings == 300


# ------------------------------------------------------------- the end of a run


def test_count_ends_the_run_with_that_reading():
    """N readings, and then the end."""
    run = watch([CONNECTED, *map(reading, range(9))], limits=RunLimits(count=5))
    run.start()
    outcome = run.stop()

    assert (outcome.reason, outcome.exit_code) == ("count reached", 0)
    assert drained(run) == [*map(reading, range(5)), None]
    assert run.totals() == (5, 0)


def test_count_is_of_each_counter():
    """The run continues until the slowest counter has its readings; the fast one stops."""
    five = [replace(reading(n), counter="five") for n in range(3)]
    run = watch([*map(reading, range(9))], five, limits=RunLimits(count=3))
    run.start()

    assert run.finished.is_set()
    assert (run.counter("main").snapshot.readings, run.counter("five").snapshot.readings) == (3, 3)


def test_repeats_do_not_count():
    """A reading received twice is one measurement."""
    repeat = reading(1, flags=frozenset({"repeat"}))
    run = watch([reading(1), repeat, repeat, reading(2), reading(3)], limits=RunLimits(count=2))
    run.start()

    assert drained(run) == [reading(1), repeat, repeat, reading(2), None]


def test_a_counter_that_fails_ends_the_run_with_its_exit_code():
    """The only counter: its error is the outcome."""
    run = watch([ConnectionFailed("nothing answers at X. Check the cable.")])
    run.start()
    outcome = run.stop()

    assert (outcome.exit_code, outcome.reason) == (3, "nothing answers at X")
    assert outcome.message == "nothing answers at X. Check the cable."


def test_the_run_continues_while_one_counter_can():
    """Of two counters, one failure does not end the run; two do."""
    run = watch([NotACounter("no counter")], [replace(reading(1), counter="five")])
    run.start()
    assert not run.finished.is_set()
    both = watch([NotACounter("first")], [ConnectionFailed("second")])
    both.start()

    assert both.stop().reason == "second"


ABSENT = CounterStatus(
    link=LinkStatus("connecting", 0.1), absent=ConnectionFailed("nothing listens there. Is it on?")
)
MUTE = replace(CONNECTED, link=LinkStatus("silent", 9.0), absent=NoReadings("no tries helped."))


def of_five(*numbers: int) -> list:
    """Return readings of the counter `five`."""
    return [replace(reading(number), counter="five") for number in numbers]


def test_a_counter_that_is_not_there_does_not_hold_the_run_and_is_named():
    """The others are done: exit code 0, and a sentence on the one that never came."""
    run = watch([ABSENT], of_five(1, 2, 3), limits=RunLimits(count=3))
    run.start()
    outcome = run.stop()

    assert (outcome.reason, outcome.exit_code, outcome.message) == ("count reached", 0, "")
    assert run.missing() == ["main was never there: nothing listens there. Is it on?"]


def test_a_counter_that_comes_holds_the_run_until_it_has_its_readings():
    """It is waited for from the moment it answers, and counted like the others."""
    run = watch([ABSENT, CONNECTED], [*of_five(1, 2)], limits=RunLimits(count=2))
    run.start()
    assert not run.finished.is_set()
    assert not run.absent
    for number in (7, 8):
        run.counter("main").acquisition.asked["on_event"](reading(number))

    assert (run.outcome.reason, run.totals(), run.missing()) == ("count reached", (4, 0), [])


@pytest.mark.parametrize(
    ("first", "second", "code"),
    [
        (ABSENT, ABSENT, 3),
        (ABSENT, MUTE, 4),
        (MUTE, ABSENT, 4),
        (ABSENT, NotACounter("it answers in verse."), 3),
        (MUTE, NotACounter("it answers in verse."), 4),
    ],
)
def test_lines_of_counters_that_all_give_nothing_end(first, second, code):
    """3: no connection was made; 4: one was, and no reading came. A sentence names each."""
    run = watch([first], [second])
    run.start()

    assert run.outcome.exit_code == code
    assert [sentence.split()[0] for sentence in run.missing()] == ["main", "five"]


def test_a_screen_waits_for_counters_that_are_not_there():
    """With no counter there at all it goes on; with `--count` it ends when those there are done."""
    steps = {"main": [ABSENT], "five": [ABSENT]}
    run = LiveWatch(
        [replace(PLAN, name=name) for name in steps],
        limits=RunLimits(count=2),
        clock=StillClock(),
        acquire=lambda **asked: Script(steps[asked["name"]], **asked),
    )
    run.start()
    assert set(run.absent) == {"main", "five"}
    assert run.outcome is None
    for event in of_five(1, 2):
        run.counter("five").acquisition.asked["on_event"](event)

    assert run.outcome == RunOutcome("count reached")


@pytest.mark.parametrize(
    "error",
    [
        UsageError("a gate of 3 s can't be set."),
        NotACounter("it answers in verse."),
        DriverError("the driver failed."),
        NoReadings("standard input has ended. Not one reading came."),
    ],
)
def test_an_error_of_one_counter_leaves_the_others_their_readings_and_exit_code(error):
    """The run goes on to its limit; exit code 0, and a sentence names the counter that ended."""
    run = watch([error], of_five(1, 2), limits=RunLimits(count=2))
    run.start()

    assert run.outcome == RunOutcome("count reached")
    assert run.missing() == [f"main ended: {error}"]


def test_the_end_of_an_input_is_no_failure_beside_others():
    """Nothing is said of it, and the exit code is 0."""
    run = watch([reading(1), InputEnded("the input has ended.")], [*of_five(1)], limits=None)
    run.start()
    run.counter("five").acquisition.asked["on_failure"](DriverError("the driver failed."))

    assert run.outcome == RunOutcome("the input has ended")
    assert run.missing() == ["five ended: the driver failed."]


def test_until_settled_asks_the_counters_that_are_there(monkeypatch):
    """One that ended, or never came, can't settle: the others decide."""
    monkeypatch.setattr("benchwatch.pipeline.analysis.LiveEstimate", SettlesAtFive)
    run = watch(
        [reading(1), DriverError("the driver failed.")],
        [ABSENT],
        of_five(*range(9)),
        plans=[replace(PLAN, name=name) for name in ("main", "spare", "five")],
        limits=RunLimits(until_settled=True),
    )
    run.start()

    assert run.outcome == RunOutcome("settled")
    assert run.counter("five").snapshot.reading.elapsed_s == 5.0


def test_an_interrupt_ends_the_run_once():
    """The first reason is kept."""
    run = watch([reading(1)])
    run.start()
    run.interrupt()
    outcome = run.stop()

    assert (outcome.reason, outcome.exit_code) == ("interrupted", 130)
    assert run.stop() == outcome


def test_no_reading_is_measured_after_an_interrupt():
    """The thread is asked to end at the interrupt, and again with a reading that it still gives."""
    requests, measured = [], []

    class Busy(Script):
        """Overlooks the first request, as a thread that is just asking its counter."""

        def stop(self):
            """Stop after the present step at the second request."""
            requests.append("stop")
            self.stopped = len(requests) == 2

    run = LiveWatch(
        [PLAN],
        lines=True,
        clock=StillClock(),
        acquire=lambda **asked: Busy(
            [reading(1), run.interrupt, reading(2), lambda: measured.append(3)], **asked
        ),
    )
    run.start()

    assert requests == ["stop", "stop"]
    assert not measured
    assert run.totals() == (1, 0)


class SettlesAtFive(LiveEstimate):
    """A live estimate whose verdict is settled from the fifth reading on."""

    def add(self, elapsed_s, offset, **more):
        """Take a reading."""
        numbers = super().add(elapsed_s, offset, **more)
        state = "settled" if elapsed_s >= 5 else "warming"
        return replace(numbers, settle=Settle(state, None, None))


def test_until_settled(monkeypatch):
    """The run ends with the reading that gives the verdict of the last counter."""
    monkeypatch.setattr("benchwatch.pipeline.analysis.LiveEstimate", SettlesAtFive)
    five = [replace(reading(n), counter="five") for n in range(9)]
    run = watch([*map(reading, range(9))], five, limits=RunLimits(until_settled=True))
    run.start()
    outcome = run.stop()

    assert (outcome.reason, outcome.exit_code) == ("settled", 0)
    assert [run.counter(name).snapshot.reading.elapsed_s for name in run.names] == [8.0, 5.0]


@pytest.mark.parametrize(
    ("steps", "until", "reason", "code"),
    [
        ([reading(1)], False, "time is up", 0),
        ([reading(1)], True, "not settled", NOT_SETTLED),
        ([], False, "no readings within 10 min", 4),
        (
            [reading(1), replace(CONNECTED, link=LinkStatus("lost", 5.0))],
            False,
            "the link to main is lost",
            4,
        ),
    ],
)
def test_the_time_is_up(steps, until, reason, code):
    """After --for: done, not settled, no readings, or the link lost, each with its code."""
    plan = replace(PLAN, settle=SettleLimit(1e-9, 600.0))
    run = watch(steps, limits=RunLimits(for_s=600.0, until_settled=until), plans=[plan])
    run.start()
    run.finished.wait(LONGEST_WAIT_S)

    assert (run.outcome.reason, run.outcome.exit_code) == (reason, code)


def test_a_gap_open_at_the_end_is_written(tmp_path):
    """A gap that ends with the run still reaches the journal and the lines."""
    journal = Journal(tmp_path / "journal.db")
    run = watch([reading(1)], journal=journal)
    run.start()
    run.interrupt()
    run.counter("main").acquisition.asked["on_event"](GAP)
    run.counter("main").acquisition.asked["on_event"](reading(20))
    run.stop()
    journal.close()

    assert drained(run) == [reading(1), None, GAP]
    (kept,) = read_runs(tmp_path / "journal.db")
    assert list(read_events(tmp_path / "journal.db", kept)) == [reading(1), GAP]


def test_a_mark_goes_to_every_counter_with_its_time():
    """A mark of the operator is on each time line."""
    run = watch([], [])
    run.start()
    run.mark("cover off")

    assert [run.counter(name).snapshot.marks[0].text for name in run.names] == ["cover off"] * 2


def test_a_slow_reader_of_lines_holds_the_counter_up_but_not_the_end(monkeypatch):
    """The queue is bounded: the counter waits; the end of the run releases it."""
    monkeypatch.setattr("benchwatch.run.live_watch.QUEUE_LIMIT", 20)
    waits = []

    class Slow(StillClock):
        def wait(self, event, timeout_s):
            waits.append(timeout_s)
            if len(waits) == 3:
                run.events.get()
            if len(waits) == 6:
                run.interrupt()
            return event.is_set()

    run = watch([*map(reading, range(60))], clock=Slow())
    run.start()

    assert run.counter("main").snapshot.readings == 22
    assert len(waits) == 6


def test_without_lines_no_queue_grows():
    """With a screen no events are queued, except the end."""
    run = LiveWatch(
        [PLAN],
        clock=StillClock(),
        acquire=lambda **asked: Script([*map(reading, range(50))], **asked),
    )
    run.start()
    run.stop()

    assert drained(run) == [None]
    assert isinstance(run.finished, threading.Event)
