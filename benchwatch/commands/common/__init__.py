"""Parts that several commands share: options, plans, sessions and output.

In: words of the command line. Out: typed values, plans of counters, printed tables and lines.
"""
