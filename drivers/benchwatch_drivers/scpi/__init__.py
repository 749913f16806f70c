"""Counters that speak SCPI-1999.

In: a link. Out: a `Counter`.
"""
