"""Uncertainty budgets after the GUM (JCGM 100:2008).

In: the readings of a run, or the live estimate, and what is stated of the reference.
Out: an offset record with its budget.
"""
