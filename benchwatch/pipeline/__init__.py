"""One counter's way from event to snapshot, the same for live and replayed readings.

In: readings, gaps and what the operator says. Out: journal entries and one frozen `Snapshot`.
"""
