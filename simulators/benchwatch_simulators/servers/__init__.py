"""Servers that put simulated instruments on a real bus, on loopback only.

In: bytes of a client. Out: bytes of the instrument, with the faults that the bench applies.
"""
