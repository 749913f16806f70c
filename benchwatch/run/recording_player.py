"""Plays a recording for the screen, with pause, speed and seek, on a thread of its own."""

import threading
from collections.abc import Sequence
from typing import Final, Literal

from benchwatch.clock import Clock, SystemClock
from benchwatch.errors import UsageError
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.pipeline.slow_statistics import REFRESH_RATIO, REFRESH_S
from benchwatch.plan import Setting, VisitChange
from benchwatch.quantity import OffsetUnit
from benchwatch.reading import NO_WORDS, TOOL_WORDS, Mark, RecordKind
from benchwatch.run.recorded_timeline import RecordedTimeline
from benchwatch.snapshot import ComparisonNow, Playback, Snapshot, Trace

SPEEDS: Final = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 60.0, 120.0, 300.0, 1000.0, 3600.0)
"""Recorded seconds per second."""
LONGEST_WORK_S: Final = 0.02
"""Longest work at a time."""
WORKING_REST_S: Final = 0.005
"""Pause after such work, in which the screen is drawn."""
LONGEST_REST_S: Final = 0.1
"""Longest time between two updates of the position, with or without events."""
SHORTEST_REST_S: Final = 0.001
"""Shortest pause, even if the next event is due."""


class RecordingPlayer:
    """Plays a recording; the screen uses it like a live watch.

    Any thread may call any method. Where the pipelines can't keep up with the speed, the position
    moves as fast as they process events.

    Args:
        timeline: the recording; its end is searched for while it plays.
        speed: recorded seconds per second.
        clock: gives real time.
    """

    def __init__(
        self, timeline: RecordedTimeline, *, speed: float = 1.0, clock: Clock | None = None
    ) -> None:
        self._timeline, self._speed = timeline, speed
        self._clock = clock or SystemClock()
        self._marks: list[Mark] = []
        self._lock = threading.Lock()
        self._wake, self._stopping = threading.Event(), threading.Event()
        self._paused = False
        self._goal_s: float | None = None
        """Target of a seek; None when none is under way."""
        self._at_s = 0.0
        self._pass = self._shown = timeline.new_pass()
        """The pass that is fed, and the one that the screen shows: another during a seek back."""
        self._stepped_s = self._refresh_at_s = self._clock.monotonic()

    # ------------------------------------------------------------ for the screen

    @property
    def names(self) -> Sequence[str]:
        """Names of the counters."""
        return tuple(self._shown.pipelines)

    chain: None = None
    """Nothing is compared while a recording is played."""

    def comparison(self, name: str) -> ComparisonNow | None:  # noqa: ARG002 - same signature as LiveWatch
        """Return None: recordings are compared by ``benchwatch compare``."""
        return None

    def counter(self, name: str) -> "RecordedCounter":
        """Return the handle to the counter `name`."""
        return RecordedCounter(name, self)

    def pipeline(self, name: str) -> Pipeline:
        """Return the pipeline of the counter `name`, as at the position shown."""
        return self._shown.pipelines[name]

    def elapsed_s(self) -> float:
        """Return the position, in seconds from the recording's beginning."""
        return self._at_s

    def mark(self, text: str) -> None:
        """Put a note on the time line, for this session only: the file is not changed."""
        with self._lock:
            for name, pipeline in self._shown.pipelines.items():
                mark = Mark(
                    counter=name,
                    utc_s=self._timeline.utc_of(name, self._at_s),
                    elapsed_s=self._at_s,
                    text=text or NO_WORDS,
                )
                self._marks.append(mark)
                pipeline.take(mark)

    @property
    def playing(self) -> Playback:
        """Position, speed and state of the playback; during a seek the position is its target."""
        with self._lock:
            at_s, length_s, speed = self._at_s, self._timeline.length_s, self._speed
            length = self._timeline.extent.state
            if self._goal_s is not None:
                goal_s = min(self._goal_s, length_s)
                return Playback(
                    state="seeking", at_s=goal_s, length_s=length_s, speed=speed, length=length
                )
            if self._is_at_end:
                return Playback(
                    state="ended", at_s=at_s, length_s=length_s, speed=speed, length=length
                )
            state: Literal["paused", "playing"] = "paused" if self._paused else "playing"
            return Playback(state=state, at_s=at_s, length_s=length_s, speed=speed, length=length)

    # ------------------------------------------------------------ commands

    def pause(self) -> None:
        """Pause or continue; at the end, play again from the beginning."""
        with self._lock:
            if self._goal_s is None and self._is_at_end:
                self._goal_s, self._paused = 0.0, False
            else:
                self._paused = not self._paused
        self._wake.set()

    def faster(self, steps: int) -> None:
        """Raise the speed by `steps` steps of `SPEEDS`; lower it if `steps` is negative."""
        with self._lock:
            for _ in range(abs(steps)):
                if steps > 0:
                    self._speed = min((s for s in SPEEDS if s > self._speed), default=self._speed)
                else:
                    self._speed = max((s for s in SPEEDS if s < self._speed), default=self._speed)
        self._wake.set()

    def seek(self, to_s: float) -> None:
        """Go to `to_s` seconds from the beginning; at most to the end."""
        with self._lock:
            self._goal_s = max(to_s, 0.0)
        self._wake.set()

    # ------------------------------------------------------------ the thread that plays

    def start(self) -> None:
        """Start the thread that plays."""
        self._stepped_s = self._clock.monotonic()
        threading.Thread(target=self._run, name="replay", daemon=True).start()

    def stop(self) -> None:
        """End the thread, without waiting for it."""
        self._stopping.set()
        self._wake.set()

    def step(self) -> float:
        """Play or seek for a short time; return how many seconds to rest after it."""
        self._wake.clear()
        self._timeline.read_on()
        with self._lock:
            now_s, then_s = self._clock.monotonic(), self._stepped_s
            self._stepped_s = now_s
            if self._goal_s is not None:
                self._seek_on(self._goal_s, now_s)
                return WORKING_REST_S
            if self._paused or self._at_s >= self._timeline.length_s:
                rest_s = LONGEST_REST_S
            else:
                rest_s = self._play_on(now_s - then_s, now_s)
        self._refresh()
        return rest_s if self._is_end_known else min(rest_s, WORKING_REST_S)

    @property
    def _is_end_known(self) -> bool:
        return self._timeline.extent.state != "so far"

    @property
    def _is_at_end(self) -> bool:
        return self._is_end_known and self._at_s >= self._timeline.length_s

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._clock.wait(self._wake, self.step())

    def _refresh(self) -> None:
        """Update the slow statistics when they are due."""
        began_s = self._clock.monotonic()
        if began_s >= self._refresh_at_s:
            for pipeline in self._shown.pipelines.values():
                pipeline.refresh()
            ended_s = self._clock.monotonic()
            self._refresh_at_s = ended_s + max(REFRESH_S, REFRESH_RATIO * (ended_s - began_s))

    # ------------------------------------------------------------ called with the lock held

    def _play_on(self, lasted_s: float, now_s: float) -> float:
        """Play the events due in the last `lasted_s`; return the seconds until the next is due."""
        goal_s = min(self._at_s + self._speed * lasted_s, self._timeline.length_s)
        self._pass.feed(goal_s, lambda: self._has_worked_enough(now_s))
        self._at_s = min(self._pass.at_s, goal_s)
        if self._at_s < goal_s:
            return WORKING_REST_S
        due = self._pass.next
        wait_s = LONGEST_REST_S if due is None else (due.elapsed_s - self._at_s) / self._speed
        return min(max(wait_s, SHORTEST_REST_S), LONGEST_REST_S)

    def _seek_on(self, goal_s: float, now_s: float) -> None:
        """Continue a seek for a short time; a seek back changes the shown pass only on arrival.

        Until the end of the file is found, a seek goes at most as far as the file was read.
        """
        wanted_s, goal_s = goal_s, min(goal_s, self._timeline.length_s)
        usable = [one for one in (self._pass, self._shown) if one.at_s <= goal_s]
        self._pass = max(usable, key=lambda one: one.at_s, default=None) or self._timeline.new_pass(
            self._marks
        )
        self._pass.feed(goal_s, lambda: self._has_worked_enough(now_s))
        arrived = self._pass.at_s >= goal_s and (self._is_end_known or goal_s == wanted_s)
        if arrived:
            self._shown, self._goal_s = self._pass, None
            self._stepped_s = self._refresh_at_s = self._clock.monotonic()
        if self._shown is self._pass:
            self._at_s = self._pass.at_s

    def _has_worked_enough(self, began_s: float) -> bool:
        return self._clock.monotonic() - began_s > LONGEST_WORK_S


class RecordedCounter:
    """The handle to one counter of a recording: gives its state, takes notes but no commands."""

    takes_commands = False
    enter = None

    def __init__(self, name: str, player: RecordingPlayer) -> None:
        self._name, self._player = name, player

    @property
    def snapshot(self) -> Snapshot:
        """The state at the position shown."""
        return self._player.pipeline(self._name).snapshot

    def trace(self, span_s: float, points: int) -> Trace:
        """Return the `span_s` seconds before the position in at most `points` points."""
        return self._player.pipeline(self._name).trace(span_s, points)

    def touch(self, *, on: bool) -> None:
        """Mark that the tool is on the trimmer, or off; the estimate does not use the mark."""
        self._player.mark(TOOL_WORDS[on])

    def record(self, kind: RecordKind, unit: OffsetUnit | None = None) -> str:  # noqa: ARG002 - same signature as LiveCounter
        """Refuse: offsets are put on record only in a live watch.

        Raises:
            UsageError: always.
        """
        raise UsageError(f"nothing is put on record {kind} while a recording is shown.")

    def check(self, text: str) -> str:  # noqa: ARG002 - same signature as LiveCounter
        """Refuse: a unit can be dialled only in a live watch.

        Raises:
            UsageError: always.
        """
        raise UsageError("other dial settings are checked only in a live watch.")

    def go_on_checking(self) -> str:
        """Refuse, as `check`."""
        return self.check("")

    def change(self, setting: Setting, text: str) -> str:
        """Refuse: settings of a recording are given when it is opened.

        Raises:
            UsageError: always.
        """
        raise UsageError(f"the {setting} can't be changed to {text} while a recording is shown.")

    def change_visit(self, change: VisitChange, text: str) -> str:  # noqa: ARG002 - same signature as LiveCounter
        """Refuse: the visit of a recording is changed with ``benchwatch visits``.

        Raises:
            UsageError: always.
        """
        raise UsageError("the visit can't be changed while a recording is shown.")

    def note_report(self, number: int, text: str) -> None:
        """Do nothing: a recording has no visit to report on."""
