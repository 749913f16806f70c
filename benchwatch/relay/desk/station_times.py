"""Places the times of a station's run on the time line of a desk.

The two clocks are never compared as dates: a station's may be hours off. Its seconds of the run are
shifted by one number, so that spans between readings, and all that is estimated from them, are
exactly the station's; the shift is found from when lines arrive here, which also says how old the
newest reading is.
"""

import math
from collections import deque
from typing import Final

ARRIVALS_KEPT: Final = 32
"""Newest arrivals by which the shift is judged; the quickest of them is the least delayed."""
TOLERATED_S: Final = 0.25
"""A shift that is off by no more stays as it is: an age is shown to a tenth of a second or two."""
SLEW: Final = 0.01
"""Share of the time between two readings by which the shift is changed at most.

Two clocks drift apart by seconds a week, and the first line may come late."""
MOST_AHEAD_S: Final = 60.0
"""No reading is placed later than so long after its arrival, whatever a station says."""
LEAST_STEP_S: Final = 2e-6
"""No two readings of a counter share a time."""


class StationTimes:
    """Shifts seconds of a station's run to seconds of the desk's run, rising within a run."""

    def __init__(self) -> None:
        self._run: int | None = None
        self._shift_s = 0.0
        self._delays: deque[float] = deque(maxlen=ARRIVALS_KEPT)
        """What the shift should be by each of the newest arrivals: least with the least delay."""
        self._newest_s = -math.inf
        """Time of the newest reading on the desk's time line."""
        self._newest_at_station_s = -math.inf
        self._is_guess = False
        """Whether the shift is that of a reading which may have waited at its station."""

    def place(
        self,
        run: int,
        elapsed_s: float,
        gate_s: float | None,
        arrived_s: float,
        *,
        waited: bool = False,
    ) -> float:
        """Return the time of a reading on the desk's time line.

        Args:
            run: the station's run.
            elapsed_s: middle of its gate, seconds of that run.
            gate_s: its gate, in seconds; None: unknown.
            arrived_s: when its line came, seconds of the desk's run.
            waited: whether it may have been read long before its line was sent. The next reading of
                the run then sets the shift anew, and not slowly.
        """
        delay_s = arrived_s - (gate_s or 0.0) / 2.0 - elapsed_s
        before = self._run
        if run != before:
            self._begin(run, delay_s)
        elif self._is_guess:
            self._shift_s = min(self._shift_s, delay_s)
        self._is_guess = waited and (run != before or self._is_guess)
        self._delays.append(delay_s)
        off_s = min(self._delays) - self._shift_s
        if abs(off_s) > TOLERATED_S:
            most_s = SLEW * max(elapsed_s - self._newest_at_station_s, 0.0)
            if math.isfinite(most_s):
                self._shift_s += math.copysign(min(most_s, abs(off_s) - TOLERATED_S / 2.0), off_s)
        if elapsed_s + self._shift_s > arrived_s + MOST_AHEAD_S:
            self._shift_s = delay_s
        self._newest_at_station_s = elapsed_s
        self._newest_s = max(elapsed_s + self._shift_s, self._newest_s + LEAST_STEP_S)
        return self._newest_s

    def at(self, elapsed_s: float, arrived_s: float) -> float:
        """Return the time of another event of the run; of one before any reading, its arrival."""
        return min(elapsed_s + self._shift_s, arrived_s) if self._run is not None else arrived_s

    def _begin(self, run: int, delay_s: float) -> None:
        """Begin another run; one that counts from the same moment goes on with the shift."""
        if self._run is None or abs(delay_s - self._shift_s) > TOLERATED_S:
            self._shift_s = delay_s
        self._run = run
        self._delays.clear()
        self._newest_at_station_s = -math.inf
