"""How quickly the screen answers, and what it costs, in a real pseudo-terminal."""

import statistics
import sys
import time
from pathlib import Path

import psutil
import pytest
from terminal_kit import Terminal

DRIVER = Path(__file__).parents[1] / "screen_kit.py"
HOUR_S = 3600.0
MEASURE_S = 8.0
KEYS = 30


def _opened(tmp_path: Path, *arguments: str) -> Terminal:
    command = [sys.executable, str(DRIVER), "--log", str(tmp_path / "log"), *arguments]
    return Terminal(command, tmp_path, width=120, height=36)


def test_a_key_is_painted_within_50_ms(tmp_path):
    """Key to paint at the median with readings arriving at 100 a second (limit: 50 ms)."""
    terminal = _opened(tmp_path, "--every", "0.01")
    try:
        terminal.wait_for("q quit")
        waits = []
        for _ in range(KEYS):
            terminal.seen = b""
            began_s = time.perf_counter()
            terminal.type(b"u")
            while b"fractions in" not in terminal.seen and time.perf_counter() < began_s + 2.0:
                terminal.read(0.001)
            waits.append(time.perf_counter() - began_s)
            terminal.read(0.15)
        median_ms = 1000 * statistics.median(waits)
        print(f"key to paint: median {median_ms:.1f} ms, worst {1000 * max(waits):.1f} ms")
    finally:
        terminal.close()

    assert median_ms < 50


@pytest.mark.parametrize("view", ["trim", "fill", "warm_up", "stability", "elsewhere", "notes"])
def test_every_view_costs_less_than_a_fifth_of_a_core(tmp_path, view):
    """CPU at 10 readings a second after an hour's worth of them, charts at 4 a second."""
    terminal = _opened(tmp_path, "--every", "0.1", "--before", str(HOUR_S), "--view", view)
    try:
        terminal.wait_for("q quit", 60.0)
        process = psutil.Process(terminal.child.pid)
        before, began_s = process.cpu_times(), time.monotonic()
        while time.monotonic() - began_s < MEASURE_S:
            terminal.read(0.1)
        after = process.cpu_times()
        used = (after.user + after.system - before.user - before.system) / MEASURE_S
        print(f"{view}: {100 * used:.1f} % of one core")
    finally:
        terminal.close()

    assert used < 0.2
