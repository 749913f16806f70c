"""The views, one module each: a declaration of panels, keys, chart and help, and a list of them.

In: a `Frame`. Out: lines of styled text, in the order in which the view stacks its panels.
"""
