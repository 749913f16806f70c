"""The numbers: pure functions and small state machines; no I/O, clock, thread or screen.

In: readings as fractions and seconds, one at a time (`live_estimate.LiveEstimate`) or as arrays.
Out: the frozen records of `results` and of the folders, each number with its uncertainty.
"""
