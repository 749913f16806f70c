"""The widgets of the terminal library: the view, and the boxes that lie over it.

In: lines of styled text, keys and taps. Out: cells on the screen, and commands for the app.
"""
