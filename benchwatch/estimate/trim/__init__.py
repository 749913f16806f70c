"""Trimming by nudges.

In: the level, nudges and touches of the tool. Out: hint, pull of the tool, as found, landing.
"""
