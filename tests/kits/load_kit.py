"""Durations without the waits for a processor, and stalls of the machine.

`Stopwatch` is for a program that does one thing at a time, `Starvation` for one with many threads.

Linux counts for each thread how long it was ready to run while no processor was free
(``/proc/PID/task/TID/schedstat``, second number, nanoseconds; sched-stats in the kernel's
documentation). A limit on a duration without these waits is as strict as any on an idle machine,
and on a busy one it judges the program and not its neighbours.
"""

import contextlib
import os
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Self

LONGEST_WAIT_S = 60.0
"""Longest wait for an expected event; it takes so long only in a test that fails."""


class Stopwatch:
    """Seconds since it was made, less those in which the processes waited for a processor.

    Args:
        processes: besides the test's own. The system reports the waits of a process only while it
            lives, so read `elapsed_s` now and then if one may end.
        own: whether the test's own process counts.
    """

    def __init__(self, *processes: int, own: bool = True) -> None:
        self._processes = (os.getpid(), *processes) if own else processes
        self._before = self._waits_s()
        self._waited = dict(self._before)
        self._began_s = time.monotonic()

    @property
    def total_s(self) -> float:
        """Seconds of real time, to check that something is not too quick."""
        return time.monotonic() - self._began_s

    @property
    def elapsed_s(self) -> float:
        """Seconds without the waits for a processor."""
        total_s = self.total_s
        return max(0.0, total_s - self.waited_s)

    @property
    def waited_s(self) -> float:
        """Seconds in which the threads of the processes waited for a processor, all together."""
        self._waited |= self._waits_s()
        return sum(s - self._before.get(thread, 0.0) for thread, s in self._waited.items())

    def _waits_s(self) -> dict[Path, float]:
        """Return how long each thread has waited for a processor, as the system counts it."""
        waits: dict[Path, float] = {}
        for process in self._processes:
            for thread in Path(f"/proc/{process}/task").glob("*"):
                with contextlib.suppress(OSError):  # it has ended
                    _, waited, _ = (thread / "schedstat").read_text(encoding="ascii").split()
                    waits[thread] = int(waited) / 1e9
        return waits


def wait_until(condition: Callable[[], object], timeout_s: float = LONGEST_WAIT_S) -> bool:
    """Wait until `condition` is true; return False if it is not within `timeout_s`."""
    deadline_s = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > deadline_s:
            return False
        time.sleep(0.005)
    return True


TICK_S = 0.01
LAST_S = 1.0
"""A stall that goes on at the end of a measurement is recorded at most so long after the end."""


class Stalls(threading.Thread):
    """A thread that wakes up a hundred times a second, and records how late it woke up.

    While it was late, the machine ran no other code that is measured beside it either.
    """

    def __init__(self) -> None:
        super().__init__(name="stalls", daemon=True)
        self._over = threading.Event()
        self._woke: list[tuple[float, float]] = []
        """Monotonic time of each wake-up, and how late it was, in seconds."""

    def __enter__(self) -> Self:
        """Start the thread."""
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Stop the thread."""
        self._over.set()
        self.join()

    def run(self) -> None:
        """Record wake-ups until the end of the block."""
        then_s = time.monotonic()
        while not self._over.wait(TICK_S):
            now_s = time.monotonic()
            self._woke.append((now_s, now_s - then_s - TICK_S))
            then_s = now_s

    def longest_s(self, began_s: float, ended_s: float) -> float:
        """Return the longest stall between two monotonic times."""
        within = (
            late_s for at_s, late_s in tuple(self._woke) if began_s <= at_s <= ended_s + LAST_S
        )
        return max(within, default=0.0)

    def since(self, began_s: float) -> float:
        """Return the seconds since a monotonic time, less all stalls of the machine since then."""
        now_s = time.monotonic()
        self._over.wait(TICK_S)  # a stall is recorded when it is over
        stood_still_s = sum(
            late_s for at_s, late_s in tuple(self._woke) if began_s <= at_s <= now_s + TICK_S
        )
        return max(now_s - began_s - stood_still_s, 0.0)


SAMPLE_S = 0.04


class Starvation(threading.Thread):
    """A thread that samples for how long processes had something to run and no processor.

    A process with many threads has something to run while any of them is running or ready (state R
    of proc(5)). The sum of the threads' waits would be far more, as they wait side by side.
    """

    def __init__(self, *processes: int) -> None:
        super().__init__(name="starvation", daemon=True)
        self._processes = processes
        self._over = threading.Event()
        self._samples = self._ready = 0
        self.total_s = self.starved_s = 0.0

    def __enter__(self) -> Self:
        """Start the thread."""
        self._began_s, self._ran_before_s = time.monotonic(), self._ran_s()
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Stop the thread."""
        self._over.set()
        self.join()
        self.total_s = time.monotonic() - self._began_s
        ready_s = self.total_s * self._ready / max(self._samples, 1)
        self.starved_s = max(0.0, ready_s - (self._ran_s() - self._ran_before_s))

    def run(self) -> None:
        """Take samples until the end of the block."""
        while not self._over.wait(SAMPLE_S):
            self._samples += 1
            self._ready += sum(self._is_ready(process) for process in self._processes)

    @property
    def elapsed_s(self) -> float:
        """Seconds of the block in which the processes did not wait for a processor."""
        return max(0.0, self.total_s - self.starved_s)

    def _is_ready(self, process: int) -> bool:
        for thread in Path(f"/proc/{process}/task").glob("*"):
            with contextlib.suppress(OSError):  # it has ended
                if (thread / "stat").read_text("ascii").rpartition(")")[2].split()[0] == "R":
                    return True
        return False

    def _ran_s(self) -> float:
        """Return the processor time of the processes that live (proc(5), stat 14 and 15)."""
        ticks = 0
        for process in self._processes:
            with contextlib.suppress(OSError):  # it has ended, or the system has no such file
                stat = Path(f"/proc/{process}/stat").read_text("ascii")
                fields = stat.rpartition(")")[2].split()
                ticks += int(fields[11]) + int(fields[12])
        return ticks / os.sysconf("SC_CLK_TCK")
