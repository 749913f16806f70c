"""Simulated counters in several dialects.

In: an oscillator's frequency and lines of commands. Out: lines of replies.
"""
