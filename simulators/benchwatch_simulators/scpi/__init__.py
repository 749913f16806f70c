"""The SCPI-1999 language as a simulated instrument understands it.

In: program messages. Out: calls of the instrument's commands, and its error queue.
"""
