"""Acquisition: one daemon thread a counter that connects, reads, paces and reconnects.

thread      `Acquisition`, the thread
readings    from what a driver measured to a `Reading`: stamps, offset, plausible range
gaps        what is missing between two readings, and why
"""

from benchwatch.acquire.connection import Connection
from benchwatch.acquire.thread import Acquisition

__all__ = ["Acquisition", "Connection"]
