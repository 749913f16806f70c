"""All counters of one watch or replay.

In: plans, or recordings. Out: events with their snapshots; the operator's commands go back down.
"""
