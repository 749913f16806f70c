"""The screen in a browser: one process owns the instruments, and its pages share one watch.

In: a watch, and requests over HTTP. Out: pages, each with a screen of its own.

Every screen runs in this process and draws on a web socket instead of a terminal, so no other
process opens an instrument. The page's terminal emulator (script, style sheet, font) is that of
textual-serve, served by this process.
"""
