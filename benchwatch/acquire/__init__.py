"""Acquisition: one daemon thread a counter that connects, reads, paces and reconnects.

thread      `Acquisition`, the thread
readings    from what a driver measured to a `Reading`: stamps, offset, plausible range
gaps        what is missing between two readings, and why
"""

from benchwatch.acquire.thread import Acquisition, Connection

__all__ = ["Acquisition", "Connection"]
