"""What several commands share.

In: words of the command line. Out: options, plans, sessions and printed tables for the commands.
"""
