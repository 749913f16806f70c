"""Running a live watch of several counters, or playing a recording, and ending either.

In: plans or a recording, and the commands of the operator. Out: events with their snapshots, and
a handle to each counter.
"""
