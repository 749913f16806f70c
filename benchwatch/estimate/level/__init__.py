"""The present level of the offset, and the nudges of the trimmer.

In: one reading at a time. Out: level with u, confirmed nudges, and where a creep will rest.
"""
