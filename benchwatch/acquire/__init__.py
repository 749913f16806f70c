"""Acquisition: one daemon thread a counter, from the first connection to the end of the run.

In: a counter's resource string, driver, setup and nominal, or the lines that a person types; the
operator's requests. Out, by callback: readings, gaps and marks in order, and a `CounterStatus`
whenever it changes.
"""

from benchwatch.acquire.acquisition_thread import Acquisition
from benchwatch.acquire.counter_status import CounterStatus
from benchwatch.acquire.typed_acquisition import TypedAcquisition
from benchwatch.acquire.typed_input import TypedInput

__all__ = ["Acquisition", "CounterStatus", "TypedAcquisition", "TypedInput"]
