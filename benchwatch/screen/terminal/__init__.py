"""This terminal: runs the screen on it, reads its keys, and restores it afterwards.

In: bytes of the keyboard, and the app. Out: keys for the app, and pictures on the terminal.
"""
