"""Documents for people: what a record says, as declared sections.

In: records of the estimate. Out: blocks of text that each front end lays out in its own way.
"""
