"""The processing of one counter's events into snapshots, the same for live and replayed events.

In: readings, gaps, marks and the commands of the operator. Out: entries of the journal, and after
each event one frozen `Snapshot`.
"""
