"""The SCPI-1999 language on the side of a simulated instrument.

In: program messages. Out: calls of the instrument's commands, responses, and its error queue.
"""
