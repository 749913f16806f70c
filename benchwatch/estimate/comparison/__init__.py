"""Several counters on one signal.

In: readings of each counter. Out: differences with u, each counter's share, claims on time bases.
"""
