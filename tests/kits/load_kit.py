"""Time as an idle machine would take it: waits for a processor are not counted.

Linux keeps for each thread how long it was ready to run and no processor was free
(``/proc/PID/task/TID/schedstat``, second number, nanoseconds; sched-stats in the kernel's
documentation). A bound on time that leaves these waits out is as strict on an idle machine as
any, and says on a busy one what the program did and not what its neighbours did.
"""

import contextlib
import os
import time
from pathlib import Path

PATIENCE_S = 60.0
"""Longest wait for what is to happen; it costs time only in a test that fails."""


class Stopwatch:
    """Seconds since it was made, less those in which the processes waited for a processor.

    Args:
        processes: besides the test's own; what they waited is known while they live, so look at
            `elapsed_s` now and then if they may end.
    """

    def __init__(self, *processes: int) -> None:
        self._processes = (os.getpid(), *processes)
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
        """How long each thread has waited, as far as the system tells."""
        waits: dict[Path, float] = {}
        for process in self._processes:
            for thread in Path(f"/proc/{process}/task").glob("*"):
                with contextlib.suppress(OSError):  # it has ended
                    _, waited, _ = (thread / "schedstat").read_text(encoding="ascii").split()
                    waits[thread] = int(waited) / 1e9
        return waits
