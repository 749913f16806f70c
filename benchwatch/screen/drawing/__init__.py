"""Elements of pictures: styled text, its theme, large digits, canvas and axes.

In: numbers and widths. Out: lines of styled text; nothing here imports snapshots or the terminal.
"""
