"""Several counters on one signal.

In: readings of each counter. Out: their differences with u, the noise of each alone, and claims on
their time bases.
"""
