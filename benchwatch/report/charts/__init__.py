"""Charts as data, and the SVG that draws them.

In: a measured visit, records and the history of a unit. Out: `Chart`, which is plain data for
JSON, and its drawing (`svg`); the forms of the report and the command ``plot`` use both.
"""
