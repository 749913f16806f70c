"""The terminal: its modes, its keys, and leaving it as it was.

In: bytes of the keyboard. Out: keys for the app, and drawn pictures on the terminal.
"""
