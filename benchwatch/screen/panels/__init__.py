"""The panels that views are stacked from: figures, scale, charts and rows of text.

In: a `Frame`, a width and a number of rows. Out: lines of styled text.
"""
