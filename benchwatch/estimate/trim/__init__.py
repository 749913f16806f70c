"""Trimming by nudges, with a tool that pulls the frequency while it is on the trimmer.

In: the numbers after each reading, and the operator's touches of the tool. Out: hint for the next
nudge, pull of the tool, sizes of the turns, as found, landing.
"""
