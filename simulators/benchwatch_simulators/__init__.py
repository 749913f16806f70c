"""Simulated benches: oscillators, counters and the servers that put them on a real bus."""
