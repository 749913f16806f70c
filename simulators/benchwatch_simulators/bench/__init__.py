"""A simulated bench: its file, the wiring of its counters, and the running bench.

In: a bench file (TOML; those that come along are in `benches/`). Out: counters on real buses, each
with a resource string, and a port where programs turn trimmers and pull plugs.
"""
