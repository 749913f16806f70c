"""Parts of the commands on benches elsewhere: of a watch that sends or shows them, and of `keep`.

In: words of the command line. Out: what is sent where, plans of counters elsewhere, and printed
lines on the central record and its archive.
"""
