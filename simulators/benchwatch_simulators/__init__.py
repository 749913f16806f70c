"""Simulated benches: oscillators, counters, and the servers that put them on real buses.

In: a bench file, and the turns and pulled plugs that a test or a person asks for. Out: counters
that answer on loopback sockets and pseudo-terminals. Nothing here is needed for a real counter.
"""
