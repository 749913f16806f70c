"""Simulated oscillators: warm-up, ageing, noise, and a trimmer.

In: seconds since power-on. Out: the offset at that time, or its mean over a gate.
"""
