"""Processor time, memory and losses of a watch of many counters, with lines and with the screen.

    python -m pytest tests/benchmarks/test_speed_many_counters.py -s

The counters number their readings and run in a process of their own, so that only the watch is
measured. A row with the same readings of one counter, as many a second, shows what many cost.
"""

import contextlib
import os
import signal
import subprocess
import time
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import pytest
from counter_kit import value_of
from journal_kit import ask
from load_kit import wait_until
from many_counters_kit import NumberedCounters, cpu_s, rss_mb, watched_bench
from program_kit import COMMAND
from terminal_kit import Terminal

SETTLE_S, MEASURE_S = 5.0, 15.0
LIMITS = {(50, 0.1): 0.45, (200, 1.0): 0.25}
"""Most of a core with the screen on, by number of counters and seconds from reading to reading."""
MOST_MB = 150.0
END_S = 0.1
"""Readings sent within this time before the end are not lost: the watch was ending already."""
OPTIONS = ("--tolerance", "5ppb", "--settle", "1ppb/10min")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What a watch took, and what it kept."""

    core: float
    """Share of a core."""
    memory_mb: float
    readings: int
    """Readings in the journal."""
    lost: int
    """Readings that counters sent and the journal lacks, but for those in flight at the end."""
    quit_s: float
    code: int


def measured(folder: Path, count: int, gate_s: float, *, screen: bool) -> Cost:
    """Watch many counters for a while; return what that took."""
    folder.mkdir()
    journal = folder / "journal.db"
    with contextlib.closing(NumberedCounters(count, gate_s)) as counters:
        bench = watched_bench(folder, counters.resources)
        words = (*COMMAND, "watch", "--bench", str(bench), "--journal", str(journal), *OPTIONS)
        with _running(words, folder, screen=screen) as (process, spend, end):
            assert wait_until(lambda: spend(0.2) or min(counters.answered().values()) > 0)
            spend(SETTLE_S)
            before_s, began_s = cpu_s(process), time.monotonic()
            spend(MEASURE_S)
            used_s, lasted_s = cpu_s(process) - before_s, time.monotonic() - began_s
            memory_mb = rss_mb(process)
            began_s = time.monotonic()
            code = end()
            quit_s = time.monotonic() - began_s
        answered = counters.answered()
    found: dict[str, list[float]] = defaultdict(list)
    for name, text in ask(
        journal, "SELECT counter, text FROM readings JOIN runs USING (run) ORDER BY run, number"
    ):
        found[name].append(float(text))
    for name, read in found.items():
        assert read == [value_of(number) for number in range(1, len(read) + 1)], name
    in_flight = 1 + int(END_S / gate_s)
    return Cost(
        core=used_s / lasted_s,
        memory_mb=memory_mb,
        readings=sum(map(len, found.values())),
        lost=sum(max(sent - len(found[name]) - in_flight, 0) for name, sent in answered.items()),
        quit_s=quit_s,
        code=code,
    )


@contextlib.contextmanager
def _running(words, folder, *, screen):
    """Run a watch; yield its process, a function that lets time pass, and one that ends it."""
    if screen:
        with contextlib.closing(Terminal(words, folder, width=120, height=36)) as terminal:

            def spend(for_s):
                until_s = time.monotonic() + for_s
                while time.monotonic() < until_s:
                    terminal.read(0.1)

            def end():
                terminal.type(b"q")
                return terminal.end()

            yield terminal.child.pid, spend, end
        return
    environment = os.environ | {"XDG_STATE_HOME": str(folder), "XDG_DATA_HOME": str(folder)}
    with (folder / "lines").open("wb") as lines:
        child = subprocess.Popen(
            [*words, "--json"], stdout=lines, stderr=subprocess.DEVNULL, env=environment
        )

        def end_lines():
            child.send_signal(signal.SIGINT)
            return child.wait()

        try:
            yield child.pid, time.sleep, end_lines
        finally:
            child.kill()
            child.wait()


@pytest.mark.timeout(600)
@pytest.mark.parametrize(("count", "gate_s"), LIMITS)
def test_many_counters_cost_little_and_lose_nothing(tmp_path, count, gate_s):
    """Each reading is in the journal once, and the watch stays small, also with the screen on."""
    rate = count / gate_s
    costs = {
        f"{count} on the screen": measured(tmp_path / "screen", count, gate_s, screen=True),
        f"{count} in lines": measured(tmp_path / "lines", count, gate_s, screen=False),
        "1 in lines, as many readings": measured(tmp_path / "one", 1, 1.0 / rate, screen=False),
    }
    print(f"\n{count} counters, {1.0 / gate_s:g} readings a second each:")
    print(f"{'':<30} {'core':>6} {'us/reading':>10} {'MB':>5} {'kept':>6} {'lost':>5} {'end s':>6}")
    for what, cost in costs.items():
        each_us = 1e6 * cost.core / rate
        print(
            f"{what:<30} {cost.core:>6.1%} {each_us:>10.0f} {cost.memory_mb:>5.0f} "
            f"{cost.readings:>6} {cost.lost:>5} {cost.quit_s:>6.2f}"
        )
    shown = costs[f"{count} on the screen"]

    assert [cost.code for cost in costs.values()] == [0, 130, 130]
    assert not any(cost.lost for cost in costs.values())
    assert shown.core < LIMITS[count, gate_s]
    assert max(cost.memory_mb for cost in costs.values()) < MOST_MB
    assert shown.quit_s < 3.0
