"""Shows a made oscillator that follows the trimmer's keys on the screen of this terminal.

``python tests/kits/made_oscillator_program.py --help`` lists its options.
"""

import argparse
import math
import os
import random
import sys
import time
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import screen_kit as kit

from benchwatch.estimate.results import Estimate, Nudge, Numbers, Tolerance
from benchwatch.pipeline.history import History
from benchwatch.reading import Mark
from benchwatch.snapshot import Snapshot, Trace


class MadeOscillator(kit.FakeWatch):
    """An oscillator on the real clock that follows its trimmer; its numbers are crude.

    Args:
        every_s: seconds from reading to reading.
        crash_after_s: seconds until `snapshot` raises an error.
        chatter: print on descriptor 2 as a library written in C might.
        before_s: span of the readings that exist at the start.
    """

    def __init__(
        self,
        every_s: float = 0.25,
        crash_after_s: float = math.inf,
        *,
        chatter: bool = False,
        before_s: float = 0.0,
    ) -> None:
        super().__init__(kit.snapshot(reading=None, numbers=Numbers()))
        self._start_s, self._every_s = time.monotonic() - before_s, every_s
        self._crash_s, self._chatter = crash_after_s + before_s, chatter
        self._chance = random.Random(3)
        self._centre, self._pull = 6.9e-9, 0.0
        self._buffer = History()
        self._recent: list[float] = []
        self._count = 0
        self._newest = kit.reading(math.nan, 0.0)
        self._nudge: Nudge | None = None
        self._marks: tuple[Mark, ...] = ()
        self._catch_up(before_s)

    def elapsed_s(self) -> float:
        """Return seconds since the start."""
        return time.monotonic() - self._start_s

    def snapshot(self, name: str) -> Snapshot:
        """Make the readings that are due; return a snapshot of them."""
        now_s = self.elapsed_s()
        if now_s > self._crash_s:
            raise RuntimeError("made to crash, [b]with[/b] \x1b[31mescapes")
        if self._chatter:
            os.write(2, b"chatter of a library written in C\n")
        self._catch_up(now_s)
        count = max(len(self._recent), 1)
        mean, u = sum(self._recent) / count, 3e-10 / math.sqrt(count)
        made = kit.numbers(
            estimate=Estimate(mean, u, count, count * self._every_s),
            tolerance=Tolerance(1e-9, inside=abs(mean) + 2 * u < 1e-9),
            last_nudge=self._nudge,
        )
        return kit.full_snapshot(
            reading=self._newest, numbers=made, marks=self._marks, readings=self._count, trim=None
        )

    def trace(self, name: str, span_s: float, points: int) -> Trace:
        """Return the last `span_s` seconds."""
        return self._buffer.trace(span_s, points) if points else Trace()

    def _catch_up(self, now_s: float) -> None:
        while self._count * self._every_s <= now_s:
            value = self._centre + self._pull + self._chance.gauss(0, 3e-10)
            elapsed_s = self._count * self._every_s
            self._buffer.add(elapsed_s, value)
            self._recent = [*self._recent[-199:], value]
            self._newest = kit.reading(value, elapsed_s)
            self._count += 1

    def mark(self, text: str) -> None:
        """Keep the mark."""
        self._marks += (
            Mark(counter="main", utc_s=time.time(), elapsed_s=self.elapsed_s(), text=text),
        )

    def turn(self, counter: str, amount: float) -> None:
        """Turn the made trimmer: 1 ppm a turn."""
        self._centre += amount * 1e-6
        self._step(amount * 1e-6)

    def rest_tool(self, counter: str, on: bool) -> None:
        """Put the tool on the trimmer, which pulls by 3 ppb, or lift it."""
        self._pull = 3e-9 if on else 0.0
        self._step(3e-9 if on else -3e-9)

    def dial(self, counter: str, frequency_hz: Decimal) -> None:
        """Do nothing: the made oscillator has no dial."""

    def _step(self, size: float) -> None:
        self._recent.clear()
        self._nudge = Nudge(self.elapsed_s(), size, 1e-10)


def main() -> int:
    """Show the made oscillator on this terminal."""
    from benchwatch.screen.app import BenchwatchApp
    from benchwatch.screen.display_options import DisplayOptions, theme_for
    from benchwatch.screen.terminal.screen_process import run_screen

    parser = argparse.ArgumentParser()
    parser.add_argument("--ascii", action="store_true")
    parser.add_argument("--every", type=float, default=0.25)
    parser.add_argument("--crash-after", type=float, default=math.inf)
    parser.add_argument("--chatter", action="store_true")
    parser.add_argument("--log", type=Path)
    parser.add_argument("--before", type=float, default=0.0, help="seconds of past to begin with")
    parser.add_argument("--view", default="")
    asked = parser.parse_args()
    watch = MadeOscillator(
        asked.every, asked.crash_after, chatter=asked.chatter, before_s=asked.before
    )
    theme = theme_for(ascii_only=asked.ascii or None)
    options = DisplayOptions(theme=theme, state=None, view=asked.view)
    if asked.log:
        options = replace(options, log=asked.log)
    app = BenchwatchApp(watch, trimmer=watch, options=options)
    return run_screen(app)


if __name__ == "__main__":
    sys.exit(main())
