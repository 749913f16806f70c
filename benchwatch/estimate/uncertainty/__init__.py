"""Uncertainty budgets after the GUM (JCGM 100:2008).

In: the readings of a run, or the live estimate, and the stated data of the reference.
Out: an `OffsetRecord` with its `Budget`.
"""
