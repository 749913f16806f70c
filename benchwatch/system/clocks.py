"""The clock for deadlines and spans, and how fine the computer's clocks are.

On some systems `time.monotonic` advances in steps of 15.6 ms, while `time.perf_counter` is as
steady and far finer. All times of one process must come from one of them, so it is chosen once.
"""

import math
import time
from collections.abc import Callable
from typing import Final

COARSE_S: Final = 1e-3
"""A clock with a larger step is too coarse to date a reading by."""
LONGEST_STEP_S: Final = 0.1
"""A step that is not over by then is not measured any longer."""
STEPS_MEASURED: Final = 3


def steady_clock(step_s: float) -> Callable[[], float]:
    """Return the clock for deadlines and spans.

    Args:
        step_s: the step of `time.monotonic`, in seconds, as the interpreter states it.
    """
    return time.perf_counter if step_s > COARSE_S else time.monotonic


def measured_step_s(
    clock: Callable[[], float], ruler: Callable[[], float] = time.perf_counter
) -> float:
    """Return the smallest of a few steps of a clock, seconds; it takes as long as these steps.

    Args:
        clock: returns seconds.
        ruler: a fine clock, which ends the measurement after `LONGEST_STEP_S`.

    Returns:
        The step, or infinity if the clock stood still.
    """
    smallest_s, until_s = math.inf, ruler() + LONGEST_STEP_S
    for _ in range(STEPS_MEASURED):
        before_s = clock()
        while (now_s := clock()) == before_s:
            if ruler() > until_s:
                return smallest_s
        smallest_s = min(smallest_s, abs(now_s - before_s))
    return smallest_s


monotonic: Final = steady_clock(time.get_clock_info("monotonic").resolution)
"""Returns seconds that never jump; the only clock for deadlines, spans and moments of arrival."""
