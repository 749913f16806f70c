"""A night with a gap, a cut-off terminal, a second watch and a wrong turn, as the journal has it.

The bench, both watches and the hand at the bench are processes or sockets of their own; the
journal is read with plain SQLite and held against what the bench says is true.
"""

import itertools
import json
import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from journal_kit import ask, check_sound
from load_kit import LONGEST_WAIT_S, Stopwatch
from oven_kit import OvenBench, oven_bench, served
from program_kit import COMMAND, Watching
from terminal_kit import Terminal

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals"),
]

BENCH = oven_bench(
    "the tide-gauge station's 10 MHz oven, warm and 12.4 ppb high",
    settle="1 ppb/2 s", white_fm=1e-11, gate="0.05 s",
)  # fmt: skip
BUSY_S = 0.5
"""An answer that waited so long is not used; so a program that waited less in all for a processor
has no excuse for a gap."""
OF_THE_COUNTER = "reason NOT LIKE '%this computer%'"
"""Gaps that the program does not put down to its own computer, which was too busy to read."""
NEAR = 1e-9
"""Far above the noise of a reading, one count of 1e-11 s in 0.05 s, and far below a turn."""


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[OvenBench]:
    """The bench of that night."""
    with served(COMMAND, BENCH, tmp_path, seed=5) as opened:
        yield opened


def count(path: Path, table: str) -> int:
    """Return how many rows a table of the journal has by now."""
    made = path.exists() and ask(path, "SELECT 1 FROM sqlite_master WHERE name = 'records'")
    return int(ask(path, f"SELECT count(*) FROM {table}")[0][0]) if made else 0


def test_a_night_leaves_nothing_false_in_the_journal(tmp_path: Path, bench: OvenBench) -> None:
    """Every reading, gap, nudge and record is where and what the bench says it was."""
    path = tmp_path / "journal.db"
    words = [*COMMAND, "watch", bench.resource, "--nominal", "10MHz",
             "--tolerance", "1ppb", "--settle", "1ppb/2s", "--journal", str(path)]  # fmt: skip
    terminal = Terminal(words, tmp_path, width=120, height=36)
    truths = [float(bench.ask("truth"))]
    times: list[float] = []
    stopwatch = Stopwatch(terminal.child.pid)
    try:
        terminal.wait_until(lambda _: count(path, "readings") >= 20, LONGEST_WAIT_S)
        assert bench.ask("hangup") == "ok"  # the gap
        broken = f"gaps WHERE {OF_THE_COUNTER}"
        terminal.wait_until(lambda _: count(path, broken) == 1, LONGEST_WAIT_S)
        after_gap = count(path, "readings")
        terminal.wait_until(lambda _: count(path, "readings") >= after_gap + 20, LONGEST_WAIT_S)
        with Watching(bench.resource, journal=path, options=("--settle", "1ppb/2s")) as second:
            of_second = Stopwatch(second.process.pid)
            second.wait_for_lines(50)  # 2 s, and settled
            times.append(time.time())
            assert bench.ask("turn 0.1") == "ok"  # it is high already: the wrong way
            truths.append(float(bench.ask("truth")))
            times.append(time.time())
            second.wait_for_more(25)
            waited_s = stopwatch.waited_s + of_second.waited_s
            terminal.vanish()  # the terminal is cut off
            cut_off = terminal.child.wait(LONGEST_WAIT_S)
            second.wait_for_more(10)
            times.append(time.time())
            assert bench.ask("turn -0.35") == "ok"
            truths.append(float(bench.ask("truth")))
            times.append(time.time())
            second.wait_for_more(25)
            code = second.end(signal.SIGINT)
    finally:
        terminal.close()

    check_sound(path)
    assert (cut_off, code) == (130, 130), second.narration
    (first_run, _, first_end), (second_run, _, second_end) = ask(
        path, "SELECT run, ended_utc_s, end_reason FROM runs WHERE ended_utc_s > 0 ORDER BY run"
    )
    assert (first_end, second_end) == ("interrupted", "interrupted")
    for run in (first_run, second_run):
        _check_readings(path, run, truths, times)
    gaps = {run: _check_gaps(path, run) for run in (first_run, second_run)}
    which = broken if waited_s > BUSY_S else "gaps"
    assert ask(path, f"SELECT run FROM {which}") == [(first_run,)], gaps
    _check_lines(path, second_run, second)
    sizes = [line["nudge"]["size"] for line in second.lines if line.get("nudge")]
    assert sizes == pytest.approx([truths[1] - truths[0], truths[2] - truths[1]], abs=NEAR)
    for kind, document in ask(path, "SELECT kind, document FROM records"):
        assert kind == "as found"
        # The result of a budget is the sum of its estimates times their sensitivities.
        lines = json.loads(document)["budget"]["lines"]
        offset = sum(line["estimate"] * line["sensitivity"] for line in lines)
        assert offset == pytest.approx(truths[0], abs=NEAR)


def _check_readings(path: Path, run: int, truths: list[float], times: list[float]) -> None:
    """Times advance, and each reading is what the oscillator was at its time."""
    rows = ask(
        path, f"SELECT elapsed_s, utc_s, text FROM readings WHERE run = {run} ORDER BY number"
    )
    assert len(rows) >= 50
    assert all(before[0] < after[0] for before, after in itertools.pairwise(rows))
    for _, utc_s, text in rows:
        offset = (float(text) - 1e7) / 1e7
        if any(a - 0.2 < utc_s < b + 0.2 for a, b in zip(times[::2], times[1::2], strict=True)):
            continue  # the gate was open while it was turned
        turned = sum(utc_s > when for when in times[1::2])
        assert offset == pytest.approx(truths[turned], abs=NEAR), (utc_s, times)


def _check_gaps(path: Path, run: int) -> list[tuple[float, float, str]]:
    """Each lasts, says why, and has no reading in it; return when each began, how long, why."""
    gaps = ask(path, f"SELECT elapsed_s, lasted_s, reason FROM gaps WHERE run = {run}")
    for begin_s, lasted_s, reason in gaps:
        inside = f"elapsed_s > {begin_s} AND elapsed_s < {begin_s + lasted_s}"
        assert lasted_s > 0
        assert reason
        assert ask(path, f"SELECT count(*) FROM readings WHERE run = {run} AND {inside}") == [(0,)]
    return gaps


def _check_lines(path: Path, run: int, watch: Watching) -> None:
    """Each line that was shown is in the journal, with the same digits at the same time."""
    shown = [
        (round(line["elapsed_s"], 6), line["text"])
        for line in watch.lines
        if line["kind"] == "reading"
    ]
    rows = ask(path, f"SELECT elapsed_s, text FROM readings WHERE run = {run} ORDER BY number")
    assert [(round(elapsed_s, 6), text) for elapsed_s, text in rows] == shown
