"""Simulated counters in several dialects.

In: the frequency of an oscillator, and command lines. Out: answer lines.
"""
