"""Issues of a report: which one it is, what has changed since the one before, and its proof.

In: a document of a report, the register and the journals. Out: entries of the kind ``report``;
verdicts on a file that was handed over; detached signatures.
"""
