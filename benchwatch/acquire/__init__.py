"""Acquisition: one daemon thread a counter that connects, reads, paces and reconnects.

thread      `Acquisition`, the thread
counter_status what is known of the counter besides its readings
upkeep      what is done between two readings: the operator's wishes, a look around
settings_poller asks again for time base and gate while readings come
patience    how long a reading is waited for, and when a link is tried again
mid_gate    where on the time line a reading lies
sentences   what is said of a counter that can't be read
readings    from what a driver measured to a `Reading`: stamps, offset, plausible range
gaps        what is missing between two readings, and why
"""

from benchwatch.acquire.acquisition_thread import Acquisition
from benchwatch.acquire.counter_status import CounterStatus

__all__ = ["Acquisition", "CounterStatus"]
