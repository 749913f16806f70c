"""Counters whose dialect is described by a profile, a page of TOML.

In: a profile (`profile_file` reads it) and a link. Out: `profile_counter.ProfileCounter`.
"""
