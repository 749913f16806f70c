"""What a desk receives: which counters stations have, and their live lines as events of a watch.

In: retained states and lines from a broker, all of it hostile text. Out: readings, gaps, marks and
records in order, and a `CounterStatus`, as acquisition gives them. Nothing is kept here.
"""
