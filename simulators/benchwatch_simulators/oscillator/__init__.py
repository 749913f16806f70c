"""Simulated oscillators: warm-up, ageing, noise, and a trimmer.

In: seconds since power-on, and turns. Out: the offset at a time, or its mean over a gate.
"""
