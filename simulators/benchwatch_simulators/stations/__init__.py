"""Simulated stations: their faults, and the language of their control port.

In: words of the command line, and lines on the control port. Out: calls of whoever runs the
stations, and the oscillators that their counters measure.
"""
