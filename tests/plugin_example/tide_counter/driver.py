"""The station's own counter: it answers ``f`` with hertz and a check sum.

A profile can't check the sum: ``10000000.0231*5C``, the exclusive or of the characters before the
asterisk, in hexadecimal.
"""

import re
from functools import reduce

from benchwatch.counter import Identity, Link, Measurement, Setup, TimeBase
from benchwatch.errors import NotACounter, ReplyError, ReplyTimeout, UsageError
from benchwatch.quantity import last_digit, parse_reply, printable

READING = re.compile(r"(\d{5,9}\.\d{4})\*([0-9A-F]{2})", re.ASCII)


class TideCounter:
    """The minimum of a driver: identity and readings; all other methods report that they can't."""

    def __init__(self, link: Link) -> None:
        self._link = link

    def identify(self) -> Identity:
        """Return a fixed identity after a first reading, as the counter has no query for it."""
        try:
            self._read(2.0)
        except (ReplyTimeout, ReplyError) as error:
            raise NotACounter(f"no tide counter answers at {self._link.resource}.") from error
        return Identity(text="tide counter")

    def configure(self, setup: Setup) -> Setup:
        """Refuse: nothing can be set."""
        raise UsageError("a tide counter can't be set. Leave --gate out.")

    def gate_s(self) -> float | None:
        """Return None: unknown."""
        return None

    def time_base(self) -> TimeBase:
        """Return the unknown time base."""
        return TimeBase()

    def measure(self, timeout_s: float) -> Measurement:
        """Query one reading."""
        value = self._read(timeout_s)
        return Measurement(
            value_hz=value, resolution_hz=last_digit(value), arrived_s=self._link.now()
        )

    def release(self) -> None:
        """Do nothing: it has no front panel."""

    def _read(self, timeout_s: float):
        line = self._link.query("f", timeout_s)
        match = READING.fullmatch(line)
        if match is None or check_sum(match[1]) != match[2]:
            raise ReplyError(f"the reply '{printable(line)}' is no reading; it was not used.")
        return parse_reply(match[1])


def check_sum(text: str) -> str:
    """Return the exclusive or of all characters as two hexadecimal digits."""
    return f"{reduce(lambda sum_, char: sum_ ^ ord(char), text, 0):02X}"
