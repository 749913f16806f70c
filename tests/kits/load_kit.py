"""Time as an idle machine would take it: waits for a processor are not counted.

Linux keeps for each thread how long it was ready to run and no processor was free
(``/proc/PID/task/TID/schedstat``, second number, nanoseconds; sched-stats in the kernel's
documentation). A bound on time that leaves these waits out is as strict on an idle machine as
any, and says on a busy one what the program did and not what its neighbours did.
"""

import contextlib
import os
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Self

LONGEST_WAIT_S = 60.0
"""Longest wait for what is to happen; it costs time only in a test that fails."""


class Stopwatch:
    """Seconds since it was made, less those in which the processes waited for a processor.

    Args:
        processes: besides the test's own; what they waited is known while they live, so look at
            `elapsed_s` now and then if they may end.
        beside_others: other threads of the test's own process run other tests; their waits say
            nothing of this one, and only those of the thread that asks are left out.
    """

    def __init__(self, *processes: int, beside_others: bool = False) -> None:
        own = str(threading.get_native_id()) if beside_others else "*"
        self._threads = [(os.getpid(), own), *((process, "*") for process in processes)]
        self._before = self._waits_s()
        self._waited = dict(self._before)
        self._began_s = time.monotonic()

    @property
    def total_s(self) -> float:
        """Seconds by the clock on the wall, for what must not be too quick."""
        return time.monotonic() - self._began_s

    @property
    def elapsed_s(self) -> float:
        """Seconds that it took by itself."""
        total_s = self.total_s
        self._waited |= self._waits_s()
        waited_s = sum(s - self._before.get(thread, 0.0) for thread, s in self._waited.items())
        return max(0.0, total_s - waited_s)

    def _waits_s(self) -> dict[Path, float]:
        """How long each thread has waited for a processor, by the system's own account."""
        waits: dict[Path, float] = {}
        for process, threads in self._threads:
            for thread in Path(f"/proc/{process}/task").glob(threads):
                with contextlib.suppress(OSError):  # it has ended
                    _, waited, _ = (thread / "schedstat").read_text(encoding="ascii").split()
                    waits[thread] = int(waited) / 1e9
        return waits


def wait_until(condition: Callable[[], object], timeout_s: float = LONGEST_WAIT_S) -> bool:
    """Wait until `condition` is true; False when it is not in time."""
    deadline_s = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > deadline_s:
            return False
        time.sleep(0.005)
    return True


TICK_S = 0.01
LAST_S = 1.0
"""A stall at the very end is noted when it is over: at most so long after the end."""


class Stalls(threading.Thread):
    """Wakes up a hundred times a second, and notes when it comes too late.

    What is measured beside it was not run in that time either, whatever it did or failed to do.
    """

    def __init__(self) -> None:
        super().__init__(name="stalls", daemon=True)
        self._over = threading.Event()
        self._woke: list[tuple[float, float]] = []
        """When, monotonic, and how much too late."""

    def __enter__(self) -> Self:
        """Begin to look."""
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        """It has seen enough."""
        self._over.set()
        self.join()

    def run(self) -> None:
        """Look until the end of the block."""
        then_s = time.monotonic()
        while not self._over.wait(TICK_S):
            now_s = time.monotonic()
            self._woke.append((now_s, now_s - then_s - TICK_S))
            then_s = now_s

    def longest_s(self, began_s: float, ended_s: float) -> float:
        """Return how long the machine stood still at most between two times."""
        within = (
            late_s for at_s, late_s in tuple(self._woke) if began_s <= at_s <= ended_s + LAST_S
        )
        return max(within, default=0.0)

    def since(self, began_s: float) -> float:
        """Return the seconds since a monotonic time, less those in which the machine stood still.

        What is left is what the program took, on an idle machine or on a busy one.
        """
        now_s = time.monotonic()
        self._over.wait(TICK_S)  # a stall is noted when it is over
        stood_still_s = sum(
            late_s for at_s, late_s in tuple(self._woke) if began_s <= at_s <= now_s + TICK_S
        )
        return max(now_s - began_s - stood_still_s, 0.0)
