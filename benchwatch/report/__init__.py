"""Documents for people, made of declared sections: today the document of a record.

In: records of offsets. Out: blocks of text that each front end lays out in its own way.
"""
