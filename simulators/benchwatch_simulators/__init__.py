"""Simulated benches: oscillators, counters, and the servers that put them on real buses.

In: a bench file, and the turns and faults that a test or a person asks for. Out: counters that
answer on loopback sockets and pseudo-terminals. A watch of real counters does not use this package.
"""
