"""The live screen: its views are functions of a snapshot, and nothing is computed here.

In: snapshots of a `WatchSource`, and keys. Out: pictures on a terminal or a page, and commands of
the operator. A view is a declaration in `views/`, made of panels; `view` defines its fields.
"""
