"""The computer's clock is set by an hour, forwards and back, during a watch."""

import itertools
import json
import subprocess
import sys
from datetime import datetime
from functools import partial
from pathlib import Path

import pytest
from acquisition_kit import COUNTER, TEN_MHZ
from counter_kit import again_if_kept_from_reading, note_busy, tiny_counter, value_of
from journal_kit import read_events, read_runs
from program_kit import COMMAND

from benchwatch.acquire import Acquisition
from benchwatch.estimate.results import SettleLimit
from benchwatch.journal import Journal
from benchwatch.plan import Plan
from benchwatch.reading import Gap, Mark, Reading
from benchwatch.run.counters_in_run import RunLimits
from benchwatch.run.live_watch import LiveWatch
from benchwatch_simulators.bench_time import LeapClock
from benchwatch_simulators.fake_bus import CLOSED, GARBAGE, MUTE, FakeBus, Reply

HOUR_S = 3600.0
START_S = 1_900_000_000.0
READINGS = 400
STEPPED = """
import sys, time
from pathlib import Path
computer, step = time.time, Path(sys.argv.pop(1))
time.time = lambda: computer() + float(step.read_text())
from benchwatch.cli import main
main()
"""


class SteppedClock(LeapClock):
    """A clock whose UTC is set ahead during the run, and set back."""

    def __init__(self, step_s: float) -> None:
        super().__init__(START_S)
        self._step_s = step_s

    def utc(self) -> float:
        """Return the computer's time in Unix seconds."""
        return super().utc() + (self._step_s if 100.0 <= self.monotonic() < 300.0 else 0.0)


def watched(folder: Path, step_s: float):
    """Watch a scripted counter with three faults; return events with their numbers, and the run."""
    clock = SteppedClock(step_s)
    made = [Reply(f"10000000.{2000 + n * 37 % 211:04d}", after_s=1.0) for n in range(READINGS)]
    script = {**COUNTER, "READ?": [*made[:95], MUTE, *made[95:150], GARBAGE, *made[150:]]}
    again = {**COUNTER, "READ?": [*made[:250], CLOSED]}
    bus = FakeBus({**script, "READ?": [*script["READ?"][:200], CLOSED]}, again, clock=clock)
    journal = Journal(folder / f"{step_s:g}.db", clock=clock)
    plan = Plan(
        name="main", resource="R", nominal=TEN_MHZ, tolerance=5e-9, settle=SettleLimit(1e-9, 600.0)
    )
    run = LiveWatch(
        [plan], journal=journal, limits=RunLimits(count=READINGS), lines=True, clock=clock,
        acquire=partial(Acquisition, open_link=bus.open_link),
    )  # fmt: skip
    run.start()
    seen = []
    while (item := run.events.get()) is not None:
        seen.append((item[0], item[1].numbers))
        if len(seen) == 120:
            run.mark("the clock was set")
    run.stop()
    journal.close()
    (kept,) = read_runs(journal.path)
    return seen, kept, list(read_events(journal.path, kept))


@pytest.mark.parametrize("step_s", [HOUR_S, -HOUR_S])
def test_a_stepped_clock_changes_no_number(tmp_path, step_s):
    """Elapsed time, estimates, gaps and order are those of a run without a step."""
    seen, kept, events = watched(tmp_path, step_s)
    right, _, _ = watched(tmp_path, 0.0)

    measured = [(e, numbers) for e, numbers in seen if not isinstance(e, Mark)]
    expected = [(e, numbers) for e, numbers in right if not isinstance(e, Mark)]
    assert sum(isinstance(event, Gap) for event, _ in measured) == 3
    assert [(e.elapsed_s, n) for e, n in measured] == [(e.elapsed_s, n) for e, n in expected]
    journaled = [e for e in events if isinstance(e, Reading | Gap)]
    assert [(e.elapsed_s, type(e)) for e in journaled] == [
        (e.elapsed_s, type(e)) for e, _ in expected
    ]
    assert kept.started_utc_s == START_S


@pytest.mark.parametrize("step_s", [HOUR_S, -HOUR_S])
def test_stamps_follow_the_computers_clock(tmp_path, step_s):
    """Each UTC stamp is the computer's time then."""
    _, kept, events = watched(tmp_path, step_s)
    ahead_s = [
        event.utc_s - START_S - event.elapsed_s for event in events if isinstance(event, Reading)
    ]

    assert {round(ahead, 6) for ahead in ahead_s} == {0.0, step_s}
    changes = [n for n in range(1, READINGS) if abs(ahead_s[n] - ahead_s[n - 1]) > 1]
    assert len(changes) == 2
    assert kept.ended_utc_s > kept.started_utc_s


@pytest.mark.parametrize("step_s", [HOUR_S, -HOUR_S])
@again_if_kept_from_reading
def test_the_command_through_a_step(tmp_path, step_s):
    """The real command: nothing is lost, doubled or reordered, and its lines can be replayed."""
    step, path = tmp_path / "step", tmp_path / "journal.db"
    step.write_text("0")
    with tiny_counter(gate_s=0.02) as counter:
        child = subprocess.Popen(
            [sys.executable, "-c", STEPPED, str(step), "watch", counter.resource, "--nominal",
             "10MHz", "--json", "--count", "90", "--journal", str(path)],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        )  # fmt: skip
        lines = []
        for line in child.stdout:
            lines.append(json.loads(line))
            if len(lines) == 30:
                (tmp_path / "new").write_text(str(step_s))
                (tmp_path / "new").replace(step)
        child.wait()
        child.stdout.close()
    note_busy(lines)
    *readings, end = lines
    stamps = [datetime.fromisoformat(line["time"]).timestamp() for line in readings]
    zeros = [at - line["elapsed_s"] for at, line in zip(stamps, readings, strict=True)]

    assert (child.returncode, end["readings"], end["gaps"]) == (0, 90, 0)
    assert [line["frequency_hz"] for line in readings] == [value_of(n) for n in range(1, 91)]
    steps = [later - sooner for sooner, later in itertools.pairwise(zeros)]
    assert [s for s in steps if abs(s) > 1] == [pytest.approx(step_s, abs=0.1)]
    kept = read_runs(path)[-1]
    events = list(read_events(path, kept))
    assert [event.frequency_hz for event in events if isinstance(event, Reading)] == [
        value_of(n) for n in range(1, 91)
    ]
    (tmp_path / "run.jsonl").write_text("\n".join(map(json.dumps, lines)))
    replayed = subprocess.run(
        [*COMMAND, "replay", str(tmp_path / "run.jsonl"), "--json"],
        capture_output=True, text=True, check=True,
    ).stdout.splitlines()  # fmt: skip
    again = [line for line in map(json.loads, replayed) if line["kind"] == "reading"]
    assert [line["elapsed_s"] for line in again] == [line["elapsed_s"] for line in readings]
