"""One clock for all deadlines and moments, fine enough to date readings by."""

import math
import subprocess
import sys
import time
from pathlib import Path

import pytest

from benchwatch.commands.doctor import check_clock
from benchwatch.system.clocks import COARSE_S, measured_step_s, monotonic, steady_clock

TICK_S = 1 / 64
"""Step of the clock that counts interrupts on Windows, about 15.6 ms."""


class SteppedClock:
    """A made clock that advances in steps, and a ruler that does not."""

    def __init__(self, step_s: float, read_s: float = 1e-4) -> None:
        self.now_s, self._step_s, self._read_s = 100.0, step_s, read_s

    def ruler(self) -> float:
        """Return fine seconds."""
        self.now_s += self._read_s
        return self.now_s

    def clock(self) -> float:
        """Return seconds in steps."""
        self.now_s += self._read_s
        return math.floor(self.now_s / self._step_s) * self._step_s


def test_a_coarse_clock_is_replaced() -> None:
    """Where the usual clock has steps of 15.6 ms the fine one is used; else the usual one."""
    assert steady_clock(TICK_S) is time.perf_counter
    assert steady_clock(1e-9) is time.monotonic


@pytest.mark.parametrize("step_s", [TICK_S, 0.002])
def test_the_step_is_measured(step_s: float) -> None:
    """The measured step of a made clock is its step."""
    made = SteppedClock(step_s)

    measured_s = measured_step_s(made.clock, made.ruler)

    assert measured_s == pytest.approx(step_s, rel=1e-6)


def test_a_clock_that_stands_still_ends_the_measurement() -> None:
    """Nothing waits for ever."""
    made = SteppedClock(1.0)

    assert measured_step_s(lambda: 5.0, made.ruler) == math.inf


def test_this_computers_clock_is_fine() -> None:
    """The clock in use is at most a millisecond coarse, as measured here."""
    assert measured_step_s(monotonic) <= COARSE_S


def test_a_coarse_time_of_day_is_said() -> None:
    """The check of this computer says to what readings are dated, and what would be finer."""
    (coarse,), (fine,) = check_clock(TICK_S), check_clock(1e-6)

    assert (coarse.good, fine.good) == (None, True)
    assert "15.6 ms" in coarse.says
    assert "3.13" in coarse.advice


def test_all_moments_come_from_one_clock() -> None:
    """With a coarse usual clock, the moments of a link and those of the run's clock are one time.

    The interpreter's `time` is replaced before anything is imported: the usual clock stands at an
    hour, so that a moment taken from it would show.
    """
    program = """
import time, types
time.monotonic = lambda: 3600.0
stated = time.get_clock_info("monotonic")
coarse = types.SimpleNamespace(**{**vars(stated), "resolution": 1 / 64})
time.get_clock_info = lambda name: coarse
import socket
from benchwatch.bus.session import Session
from benchwatch.clock import SystemClock
from benchwatch.system.clocks import monotonic
assert monotonic is time.perf_counter
before = time.perf_counter()
now = SystemClock().monotonic()
assert before <= now <= time.perf_counter(), now
"""

    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)

    assert done.returncode == 0, done.stderr


def test_no_moment_of_a_link_is_taken_from_another_clock() -> None:
    """In the buses and in the time of the run no other clock is read: their moments are mixed."""
    program = Path(monotonic.__module__ and sys.modules["benchwatch"].__path__[0])
    files = [*(program / "bus").glob("*.py"), *(program / "acquire").glob("*.py")]
    files.append(program / "clock.py")

    others = [file.name for file in files if "time.monotonic" in file.read_text("utf-8")]

    assert files
    assert others == []
