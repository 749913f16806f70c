"""The screen in a browser: one process owns the instruments, and its pages share one watch.

In: a watch, and requests over HTTP. Out: pages, each with pictures of a screen of its own.

Each page is a screen of its own in this same process, drawn on a web socket instead of a
terminal, so that nothing but this process ever opens an instrument. The terminal in the page
(script, style sheet, font) is that of textual-serve, served from here.
"""
