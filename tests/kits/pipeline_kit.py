"""Made readings, and a clock that moves only when it is set or waited on."""

import threading
from decimal import Decimal

from benchwatch.journal.schema import JournalRun
from benchwatch.quantity import difference
from benchwatch.reading import Flag, Reading

NOMINAL = Decimal(10_000_000)
START_UTC_S = 1_935_656_420.5  # 2031-05-04T10:20:20.5Z by date(1), a made-up day
RUN = JournalRun(
    key=7,
    watch=1,
    counter="main",
    resource="TCPIP0::127.0.0.1::5025::SOCKET",
    driver="scpi",
    started_utc_s=START_UTC_S,
    nominal_hz=NOMINAL,
)
"""A run as the journal keeps it."""


def reading(
    number: int,
    text: str = "10000000.0231",
    *,
    counter: str = "main",
    flags: frozenset[Flag] = frozenset(),
) -> Reading:
    """Return reading `number` of a made run with one reading a second."""
    offset_hz, offset = difference(Decimal(text), NOMINAL)
    return Reading(
        counter=counter,
        utc_s=START_UTC_S + number,
        elapsed_s=float(number),
        gate_s=1.0,
        text=text,
        frequency_hz=float(text),
        offset_hz=offset_hz,
        offset=offset,
        resolution_hz=1e-4,
        flags=flags,
    )


class StillClock:
    """A clock that moves only when it is set or waited on."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def monotonic(self) -> float:
        """Return the monotonic time, in seconds."""
        return self.now_s

    def utc(self) -> float:
        """Return the time in Unix seconds."""
        return START_UTC_S + self.now_s - 1000.0

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        """Advance the time and return at once."""
        self.now_s += timeout_s
        return event.is_set()
