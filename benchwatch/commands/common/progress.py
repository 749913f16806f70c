"""Progress of long work as one line on standard error, where that is a terminal.

The line appears once the work has taken `SHOWN_AFTER_S`, says how long it still takes, and is
erased at the end. `set_aside` takes it away while something else is written on the terminal.
"""

import os
import shutil
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, TextIO

from benchwatch.clock import Clock, SystemClock
from benchwatch.quantity import format_duration, printable
from benchwatch.system.terminal_modes import in_foreground

if TYPE_CHECKING:
    from benchwatch.recording.read_position import ReadPosition

SHOWN_AFTER_S: Final = 2.0
"""Shorter work shows nothing."""
REDRAWN_EVERY_S: Final = 0.25
LEAST_FRACTION: Final = 0.005
"""A time to go is worked out only once this part is done; before, it would jump."""
LEAST_COLUMNS: Final = 10
"""A terminal that states fewer columns states none, as some do."""
USUAL_COLUMNS: Final = 80

Fraction = Callable[[], float | None]
"""Returns the part of the work that is done, 0 to 1; None: unknown. Another thread calls it."""


class EventsOfFile:
    """Counts the events that were taken of a file, which is read a block ahead of them.

    A whole block is read before its first event is taken, so that the position in the file alone
    would jump, and be ahead. How many events a byte gives is known from the blocks before.

    Args:
        position: how far the file is read.
    """

    def __init__(self, position: "ReadPosition") -> None:
        self._position = position
        self._taken = 0
        self._newest = 0
        self._before = 0, 0
        """Position in front of the newest block, and how many events came up to there."""

    def take(self) -> None:
        """Count one event."""
        done = self._position.done
        if done != self._newest:
            self._before = self._newest, self._taken
            self._newest = done
        self._taken += 1

    def fraction(self) -> float | None:
        """Return the part of the file whose events were taken; None while it is not known."""
        total, (done, events) = self._position.total, self._before
        if not total or not done or not events:
            return None
        return min(self._taken * done / (events * total), 1.0)


@dataclass(frozen=True, slots=True)
class _Task:
    words: str
    fraction: Fraction
    begun_s: float


class ProgressLine:
    """One line on a terminal that says how far the work is; a thread of its own redraws it.

    Args:
        stream: returns the stream to draw on; nothing is drawn where that is no terminal.
        clock: gives the time.
    """

    def __init__(self, stream: Callable[[], TextIO], clock: Clock) -> None:
        self._stream, self._clock = stream, clock
        self._lock = threading.RLock()
        self._tasks: list[_Task] = []
        self._begun_s: float | None = None
        self._shown = ""

    @contextmanager
    def task(self, words: str, fraction: Fraction) -> Iterator[None]:
        """Show a task until it is left; a task within another one is shown in its place.

        Args:
            words: what is done, such as ``reading station.csv``.
            fraction: returns how much of it is done.
        """
        if not _is_shown_terminal(self._stream()):
            yield
            return
        now_s = self._clock.monotonic()
        with self._lock:
            self._begun_s = now_s if self._begun_s is None else self._begun_s
            self._tasks.append(_Task(printable(words, 200), fraction, now_s))
            is_first = len(self._tasks) == 1
        ended = threading.Event()
        redrawing = threading.Thread(target=self._redraw, args=(ended,), daemon=True)
        if is_first:
            with suppress(RuntimeError):  # no more threads: the work is done without a line
                redrawing.start()
        try:
            yield
        finally:
            ended.set()
            with self._lock:
                self._tasks.pop()
                self.erase()

    @contextmanager
    def set_aside(self) -> Iterator[None]:
        """Erase the line, and draw nothing until this is left."""
        with self._lock:
            self.erase()
            yield

    def draw(self) -> None:
        """Draw the line as it is now; nothing where no task is long enough."""
        with self._lock:
            now_s = self._clock.monotonic()
            if not self._tasks or self._begun_s is None or now_s < self._begun_s + SHOWN_AFTER_S:
                return
            text = _line(self._tasks[-1], now_s)[: _columns(self._stream()) - 1]
            if text != self._shown and _is_in_foreground(self._stream()):
                self._write(text.ljust(len(self._shown)))
                self._shown = text

    def erase(self) -> None:
        """Make the line blank, and put the cursor at its start."""
        with self._lock:
            if self._shown:
                self._write(" " * len(self._shown))
                self._shown = ""

    def _write(self, text: str) -> None:
        with suppress(OSError, ValueError):  # a terminal that went away, or a closed stream
            stream = self._stream()
            stream.write(f"\r{text}\r")  # what the terminal echoes, as ^C, stands at the start
            stream.flush()

    def _redraw(self, ended: threading.Event) -> None:
        while not self._clock.wait(ended, REDRAWN_EVERY_S):
            self.draw()


def _line(task: _Task, now_s: float) -> str:
    done, took_s = task.fraction(), now_s - task.begun_s
    if done is None or not LEAST_FRACTION <= done <= 1.0:
        return f"benchwatch: {task.words}, for {_whole(took_s)} now"
    to_go_s = took_s * (1.0 - done) / done
    return f"benchwatch: {task.words}: {int(100 * done)} %, {_whole(to_go_s)} to go"


def _whole(seconds: float) -> str:
    """Write a duration without a fraction of a second, at least one second."""
    return format_duration(max(1.0, round(seconds)))


def _columns(stream: TextIO) -> int:
    """Return the width of the terminal behind `stream`."""
    try:
        columns = os.get_terminal_size(stream.fileno()).columns
    except (OSError, ValueError):
        columns = shutil.get_terminal_size().columns
    return columns if columns >= LEAST_COLUMNS else USUAL_COLUMNS


def _is_shown_terminal(stream: TextIO) -> bool:
    """Return whether `stream` is a terminal that can redraw a line."""
    with suppress(ValueError):  # a closed stream
        return stream.isatty() and os.environ.get("TERM") != "dumb"
    return False


def _is_in_foreground(stream: TextIO) -> bool:
    """Return whether this process owns the terminal; a job in the background leaves it alone."""
    with suppress(OSError, ValueError):
        return in_foreground(stream.fileno())
    return True  # not the terminal that controls this process


_standard_error: Final = ProgressLine(lambda: sys.stderr, SystemClock())


def progress(words: str, fraction: Fraction = lambda: None) -> AbstractContextManager[None]:
    """Say on standard error how far a task is, until it is left; see `ProgressLine.task`.

    Nothing is shown where standard error is no terminal, or where the work is short.
    """
    return _standard_error.task(words, fraction)


def set_aside() -> AbstractContextManager[None]:
    """Keep the line of progress away while something else is written on the terminal."""
    return _standard_error.set_aside()
