"""Simulated oscillators: warm-up, ageing, noise, and a trimmer with a hand on it.

In: seconds since power-on. Out: the frequency at that time.
"""
