"""The screen in a browser: one process owns the instruments, and its pages share one watch.

In: a watch, and requests over HTTP. Out: pages, each of which shows its own screen.

Each screen runs in this process and is drawn on a web socket instead of a terminal, so that no
other process opens an instrument. The terminal emulator in the page (script, style sheet, font)
is that of textual-serve, served from here.
"""
