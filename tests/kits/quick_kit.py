"""The program, or a simulated bench, on a clock whose speed is set by signals."""

import re
import signal

from program_kit import PROGRAM

QUICKLY, SLOWLY = signal.SIGUSR1, signal.SIGUSR2
"""The signals: quickly is at the speed given, slowly as the computer's own clock."""


def clock_s(rows: list[str]) -> int:
    """Return the seconds on the clock of a screen; 0 before there is one."""
    clock = re.search(r"(\d+):(\d\d):(\d\d)$", rows[0])
    return 0 if clock is None else 3600 * int(clock[1]) + 60 * int(clock[2]) + int(clock[3])


def program(speed: float, *, begin_quickly: bool) -> str:
    """Return a program for ``python -c`` that takes the arguments of the command line.

    Where something must be done or seen within bench seconds, a busy machine needs a slow clock
    for it, and where all only wait, a quick one spares everybody's time.
    """
    return f"""
import signal, time
import benchwatch.clock

class Clock:
    rate = (time.monotonic(), 0.0, {speed if begin_quickly else 1.0})
    # since when, from which second of its own, how fast

    def go(self, speed):
        self.rate = (time.monotonic(), self.monotonic(), speed)

    def monotonic(self):
        since_s, from_s, speed = self.rate
        return from_s + (time.monotonic() - since_s) * speed

    def utc(self, began_s=time.time()):
        return began_s + self.monotonic()

    def wait(self, event, timeout_s):
        return event.wait(max(0.0, timeout_s) / self.rate[2])

clock = Clock()
signal.signal(signal.{QUICKLY.name}, lambda *_: clock.go({speed}))
signal.signal(signal.{SLOWLY.name}, lambda *_: clock.go(1.0))
benchwatch.clock.SystemClock = lambda: clock
# Sockets wait by the computer's clock: what is no stall there is none here.
import benchwatch.bus.session, benchwatch_drivers.synchronised_query
benchwatch.bus.session.STALL_S *= 4 * {speed}
benchwatch_drivers.synchronised_query.LONGEST_UNREAD_S *= {speed}
{PROGRAM}
"""
