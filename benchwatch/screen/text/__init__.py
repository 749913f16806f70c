"""What the screen says: amounts, states and rows of text.

In: parts of a snapshot. Out: text; every digit comes from `benchwatch.quantity`.
"""
