"""Drivers: one folder for counters that speak SCPI, one for counters described by a profile.

In: a `benchwatch.counter.Link`. Out: a class that fulfils `benchwatch.counter.Counter`. The loose
modules are shared by both; `profiles/` holds the bundled profiles (TOML).
"""
