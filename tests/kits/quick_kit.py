"""The program, or a simulated bench, on a clock whose speed is set by signals."""

import re
import signal

from program_kit import PROGRAM

QUICKLY, SLOWLY = signal.SIGUSR1, signal.SIGUSR2
"""Signals to the program: run at the given speed, or at that of the computer's clock."""


def clock_s(rows: list[str]) -> int:
    """Return the seconds on the clock of a screen; 0 before there is one."""
    clock = re.search(r"(\d+):(\d\d):(\d\d)$", "\n".join(rows[:2]), re.MULTILINE)
    return 0 if clock is None else 3600 * int(clock[1]) + 60 * int(clock[2]) + int(clock[3])


def program(speed: float, *, begin_quickly: bool) -> str:
    """Return a program for ``python -c`` that takes the arguments of the command line.

    The fast clock saves time while the test only waits. Where it must act within some seconds of
    the bench, a busy machine needs the slow one.
    """
    return f"""
import signal, time
import benchwatch.clock

class Clock:
    rate = (time.monotonic(), 0.0, {speed if begin_quickly else 1.0})
    # real time of the newest change of speed, this clock's time then, and the speed

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
# Sockets wait by the computer's clock, so these limits are longer on the fast one.
import benchwatch.bus.session, benchwatch_drivers.synchronised_query
benchwatch.bus.session.STALL_S *= 4 * {speed}
benchwatch_drivers.synchronised_query.LONGEST_UNREAD_S *= {speed}
{PROGRAM}
"""
