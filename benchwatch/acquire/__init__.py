"""Acquisition: one daemon thread a counter, from the first connection to the end of the run.

In: a counter's resource string, driver, setup and nominal; the operator's requests. Out, by
callback: readings, gaps and marks in order, and a `CounterStatus` whenever it changes.
"""

from benchwatch.acquire.acquisition_thread import Acquisition
from benchwatch.acquire.counter_status import CounterStatus

__all__ = ["Acquisition", "CounterStatus"]
