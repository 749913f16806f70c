"""Documents for people, composed of declared sections: so far the document of a record.

In: records of offsets. Out: blocks of text, which each front end lays out in its own way.
"""
