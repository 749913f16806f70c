"""Speed from reading to snapshot and to lines; each ratio is measured within one run.

Run with ``python -m pytest tests/benchmarks/test_speed_pipeline.py -s``. Ten million readings
take most of an hour, and are fed only if ``BENCHWATCH_LONG`` is set.
"""

import fcntl
import json
import os
import pty
import random
import resource
import select
import statistics
import struct
import subprocess
import sys
import termios
import threading
import time
from collections import deque
from decimal import Decimal
from functools import cache
from pathlib import Path

import pytest
from counter_kit import tiny_counter, value_of
from journal_kit import read_events, read_runs
from program_kit import COMMAND

from benchwatch.estimate.results import SettleLimit
from benchwatch.journal import Journal
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import Plan
from benchwatch.quantity import difference
from benchwatch.reading import Reading

NOMINAL = Decimal(10_000_000)
KITS = Path(__file__).parent.parent / "kits"

BARE = """
import sys, time
import pyvisa
counter = pyvisa.ResourceManager("@py").open_resource(
    sys.argv[1], read_termination="\\n", write_termination="\\n"
)
for _ in range(300):
    counter.query("READ?")
began = time.perf_counter()
for _ in range(int(sys.argv[2])):
    counter.query("READ?")
print(int(sys.argv[2]) / (time.perf_counter() - began))
"""


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch) -> Path:
    """Set data and state folders of the test's own."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path


# ------------------------------------------------------------- reading to snapshot


class Made:
    """A pipeline with all options on, and endless readings of white noise for it."""

    def __init__(self, path: Path, seed: int) -> None:
        self.journal = Journal(path)
        plan = Plan(
            name="main",
            resource="made",
            nominal=NOMINAL,
            tolerance=5e-9,
            settle=SettleLimit(1e-9, 600.0),
        )
        self.pipeline = Pipeline(plan, journal=self.journal, utc_s=1.9e9)
        self.number = 0
        self._noise = random.Random(seed)

    def feed(self, readings: int) -> list[float]:
        """Feed readings; return the time of each of the last 100, in microseconds."""
        costs: deque[float] = deque(maxlen=100)
        for _ in range(readings):
            self.number += 1
            text, frequency_hz, offset_hz, offset = values_of(round(self._noise.gauss(0.0, 100.0)))
            event = Reading(
                counter="main",
                utc_s=1.9e9 + self.number,
                elapsed_s=self.number * 0.1,
                gate_s=0.1,
                text=text,
                frequency_hz=frequency_hz,
                offset_hz=offset_hz,
                offset=offset,
                resolution_hz=1e-4,
            )
            began = time.perf_counter()
            self.pipeline.take(event)
            costs.append((time.perf_counter() - began) * 1e6)
        return list(costs)


@cache
def values_of(digits: int) -> tuple[str, float, float, float]:
    """Return text, frequency and both offsets of a reading that is `digits` of 0.1 mHz off nominal.

    The results are cached, as making ten million of them takes long.
    """
    value = Decimal(digits).scaleb(-4) + NOMINAL
    return str(value), float(value), *difference(value, NOMINAL)


def rss_mb() -> float:
    """Return the resident memory of this process, in megabytes (proc(5), statm 2)."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 1e6


@pytest.mark.timeout(6 * 3600)
@pytest.mark.parametrize(
    "readings",
    [
        1_000_000,
        pytest.param(
            10_000_000,
            marks=pytest.mark.skipif(
                "BENCHWATCH_LONG" not in os.environ, reason="takes most of an hour"
            ),
        ),
    ],
)
def test_a_reading_costs_the_same_after_millions(tmp_path, readings):
    """A reading takes less than 200 us in the median, and no longer after millions of readings.

    At each mark the old pipeline is measured in turn with a young one that has taken 1 000
    readings, so that a busy machine slows both. Memory is printed at each mark.
    """
    for digits in range(-700, 701):
        values_of(digits)
    old = Made(tmp_path / "old.db", seed=random.SystemRandom().randrange(2**31))
    print(f"\n{'readings':>10} {'median us':>10} {'young us':>10} {'ratio':>6} {'RSS MB':>7}")
    ratios, medians = [], []
    memory = {}
    marks = (1_000, 10_000, 100_000, 1_000_000, 3_000_000, 10_000_000)
    for mark in [mark for mark in marks if mark <= readings]:
        old.feed(mark - old.number)
        young = Made(tmp_path / f"young{mark}.db", seed=mark)
        young.feed(1_000)
        costs_old, costs_young = [], []
        for _ in range(20):
            costs_old += old.feed(100)
            costs_young += young.feed(100)
        young.journal.close()
        medians.append(statistics.median(costs_old))
        ratios.append(medians[-1] / statistics.median(costs_young))
        memory[mark] = rss_mb()
        print(
            f"{mark:>10} {medians[-1]:>10.1f} {statistics.median(costs_young):>10.1f} "
            f"{ratios[-1]:>6.2f} {memory[mark]:>7.1f}",
            flush=True,
        )
    old.journal.close()

    assert max(medians) < 200
    assert max(ratios) < 1.3
    assert memory[readings] - memory[100_000] < 10, "memory grows once the buffer is full"


# ------------------------------------------------------------- lines against a bare loop


def bare_rate(resource_name: str, queries: int) -> float:
    """Return queries a second of a bare PyVISA loop in a process of its own."""
    child = subprocess.run(
        [sys.executable, "-c", BARE, resource_name, str(queries)],
        capture_output=True,
        text=True,
        check=True,
    )
    return float(child.stdout)


def lines_rate(resource_name: str, count: int, *options: str) -> float:
    """Return readings a second of ``watch --json`` from its first line to its last."""
    child = subprocess.run(
        [*COMMAND, "watch", resource_name, "--nominal", "10MHz",
         "--json", "--count", str(count), *options],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    *readings, end = map(json.loads, child.stdout.splitlines())
    assert len(readings) == end["readings"] == count
    return (count - 1) / (readings[-1]["elapsed_s"] - readings[0]["elapsed_s"])


def served(*command: str) -> tuple["subprocess.Popen[str]", str]:
    """Start a server; return it and the resource string it prints."""
    server = subprocess.Popen(
        [sys.executable, *command], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    assert server.stdout is not None
    return server, server.stdout.readline().split()[-1]


@pytest.mark.timeout(600)
@pytest.mark.parametrize("bench", ["fast", "tiny"])
def test_lines_reach_a_tenth_of_a_bare_loop(bench):
    """``--json`` with the journal reaches a tenth of the rate of a bare PyVISA loop, in turn.

    `fast` is the simulated bench without a gate; `tiny` answers quicker than any counter.
    """
    command = {
        "fast": ("-m", "benchwatch.cli", "simulate", "fast"),
        "tiny": (str(KITS / "counter_kit.py"), "0"),
    }[bench]
    server, resource_name = served(*command)
    try:
        bare, lines, unkept = [], [], []
        for _ in range(3):
            bare.append(bare_rate(resource_name, 5_000))
            lines.append(lines_rate(resource_name, 6_000))
            unkept.append(lines_rate(resource_name, 6_000, "--no-journal"))
    finally:
        server.terminate()
        server.communicate()
    share = statistics.median(lines) / statistics.median(bare)
    print(
        f"\n{bench}: bare {statistics.median(bare):.0f}/s, --json {statistics.median(lines):.0f}/s "
        f"(without journal {statistics.median(unkept):.0f}/s): {share:.0%} of the bare loop"
    )

    assert share > 0.1


# ------------------------------------------------------------- no reading is lost


@pytest.mark.parametrize(("rate", "readings"), [(10, 50), (100, 800)])
@pytest.mark.parametrize("front", ["lines", "screen"])
def test_no_reading_is_lost(home, front, rate, readings):
    """At 10 and 100 readings a second each reading of the counter is in the journal, once.

    The share of a core that the program used is printed; for the screen without the first two
    seconds, in which it starts.
    """
    with tiny_counter(gate_s=1 / rate) as counter:
        command = [
            *COMMAND, "watch", counter.resource,
            "--nominal", "10MHz", "--tolerance", "5ppb", "--settle", "1ppb/10min",
            "--count", str(readings),
        ]  # fmt: skip
        code, used, lasted = on_terminal(command) if front == "screen" else on_pipe(command)

    path = home / "data" / "benchwatch" / "journal.db"
    events = [e for e in read_events(path, read_runs(path)[0]) if isinstance(e, Reading)]
    attained = (readings - 1) / (events[-1].elapsed_s - events[0].elapsed_s)
    print(f"\n{front}, {rate}/s: {len(events)} of {counter.answered} kept, {attained:.1f}/s; "
          f"{used / lasted:.1%} of a core over {lasted:.1f} s")  # fmt: skip
    assert code == 0
    assert [event.frequency_hz for event in events] == [value_of(n) for n in range(1, readings + 1)]
    assert counter.answered - readings <= 1
    assert attained > rate * 0.8


def on_pipe(command: list[str]) -> tuple[int, float, float]:
    """Run to the end with lines on a pipe; return exit code, CPU seconds, seconds."""
    began, before = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN)
    child = subprocess.run([*command, "--json"], capture_output=True, check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return child.returncode, used, time.monotonic() - began


def on_terminal(command: list[str]) -> tuple[int, float, float]:
    """Run to the end on a terminal; return exit code, and CPU seconds and seconds since 2 s."""
    child, terminal = pty.fork()
    if child == 0:
        os.environ["TERM"] = "xterm-256color"
        os.execv(command[0], command)
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 36, 120, 0, 0))
    began, used_before, used = time.monotonic(), 0.0, 0.0
    settled = threading.Event()
    while select.select([terminal], [], [], 60)[0]:
        try:
            os.read(terminal, 65536)
        except OSError:
            break
        used = cpu_seconds(child) or used
        if not settled.is_set() and time.monotonic() - began > 2.0:
            settled.set()
            began, used_before = time.monotonic(), used
    lasted = time.monotonic() - began
    _, status = os.waitpid(child, 0)
    os.close(terminal)
    return os.waitstatus_to_exitcode(status), used - used_before, lasted


def cpu_seconds(pid: int) -> float:
    """Return the CPU time of a running process; 0 when it is gone (proc(5), stat 14 and 15)."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
