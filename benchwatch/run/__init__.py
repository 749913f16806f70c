"""All counters of one watch, or of a recording that is played, and how either ends.

In: plans, or a recording, and the commands of the operator. Out: events with their snapshots, and
a handle to each counter.
"""
