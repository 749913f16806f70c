"""What pictures are made of: styled text, large digits, axes, charts and scales.

In: numbers and widths. Out: lines of styled text; the terminal is not known here.
"""
