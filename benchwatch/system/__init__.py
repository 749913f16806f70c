"""What differs between Linux, macOS and Windows, one small module a matter.

In: descriptors, sockets, paths, text. Out: the same behaviour on each system. Everything else in
the program calls these functions and asks no system for its name; nothing here imports the rest.
"""
