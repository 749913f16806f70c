"""Counters whose dialect is described by a profile, a page of TOML.

In: a profile and a link. Out: a `Counter`.
"""
