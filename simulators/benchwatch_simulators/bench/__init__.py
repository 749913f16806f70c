"""A simulated bench: its file, the wiring of its counters, and the running bench.

In: a bench file (TOML; the package's own are in `benches/`). Out: counters on real buses, each with
a resource string, and a port through which programs turn trimmers and pull plugs.
"""
