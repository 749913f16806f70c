"""Comparison of several counters on one signal.

In: matched readings of each counter. Out: their differences with u, the noise of each counter
alone, and claims on their time bases.
"""
