"""A watch that already holds made readings: ``python tests/kits/loaded_watch_program.py RESOURCE``.

Made readings of, say, an hour go through the pipeline before the counter is opened, and the run's
clock is set ahead by as much.
"""

import argparse
import random
import sys
from decimal import Decimal
from functools import partial
from pathlib import Path

from benchwatch.acquire import Acquisition
from benchwatch.bus import Buses
from benchwatch.clock import SystemClock
from benchwatch.estimate.results import SettleLimit
from benchwatch.journal import Journal
from benchwatch.plan import Plan
from benchwatch.reading import Reading
from benchwatch.run.counters_in_run import RunLimits
from benchwatch.run.live_watch import LiveWatch

NOMINAL_HZ = 10_000_000.0
BEFORE_INTERVAL_S = 0.1
OFFSET, SPREAD = 3.7e-8, 1e-10


class AdvancedClock(SystemClock):
    """The computer's clocks, the monotonic one set ahead by the span of the made readings."""

    ahead_s = 0.0

    def monotonic(self) -> float:
        """Return the monotonic time plus `ahead_s`."""
        return super().monotonic() + self.ahead_s


def past(watch: LiveWatch, before_s: float) -> None:
    """Put made readings that span `before_s` seconds through the pipeline of `watch`."""
    noise, utc_s = random.Random(20310504), SystemClock().utc() - before_s
    for row in range(round(before_s / BEFORE_INTERVAL_S)):
        at_s, offset = row * BEFORE_INTERVAL_S, OFFSET + noise.gauss(0.0, SPREAD)
        hertz = NOMINAL_HZ * (1.0 + offset)
        watch.counter("main").pipeline.take(
            Reading(
                counter="main",
                utc_s=utc_s + at_s,
                elapsed_s=at_s,
                gate_s=BEFORE_INTERVAL_S,
                text=f"{hertz:.5f}",
                frequency_hz=hertz,
                offset_hz=hertz - NOMINAL_HZ,
                offset=offset,
                resolution_hz=1e-5,
            )
        )


def main() -> int:
    """Run the watch with the screen, or without one for ``--view none``."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("resource")
    parser.add_argument("--every", type=float, default=0.1, help="seconds from reading to reading")
    parser.add_argument("--before", type=float, default=0.0, help="seconds that are made")
    parser.add_argument("--view", default="trim")
    parser.add_argument("--home", type=Path, required=True)
    asked = parser.parse_args()
    clock = AdvancedClock()
    plan = Plan(
        name="main",
        resource=asked.resource,
        nominal=Decimal("10e6"),
        tolerance=1e-9,
        settle=SettleLimit(1e-9, 600.0),
        interval_s=asked.every,
    )
    journal = Journal(asked.home / "journal.sqlite")
    acquire = partial(Acquisition, open_link=Buses().open_link, persistent=True)
    run = LiveWatch([plan], journal=journal, limits=RunLimits(), clock=clock, acquire=acquire)
    past(run, asked.before)
    clock.ahead_s = asked.before
    run.start()
    if asked.view == "none":
        print("q quit", flush=True)
        code = 0 if sys.stdin.read(1) else 1
    else:
        from benchwatch.screen.app import BenchwatchApp
        from benchwatch.screen.display_options import DisplayOptions
        from benchwatch.screen.terminal.screen_process import run_screen

        options = DisplayOptions(view=asked.view, log=asked.home / "log", state=None)
        code = run_screen(BenchwatchApp(run, options=options))
    run.stop()
    journal.close()
    return code


if __name__ == "__main__":
    sys.exit(main())
