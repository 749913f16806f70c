"""Simulated benches: oscillators, counters, and the servers that put them on real buses.

In: a bench file, and turns and faults ordered by a test or a person. Out: counters that answer on
loopback sockets and pseudo-terminals. A real counter needs nothing of this.
"""
