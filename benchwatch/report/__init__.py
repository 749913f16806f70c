"""Documents for people: of a record, a visit and a unit as blocks of text, and the report.

In: records, visits and what was measured. Out: blocks of text, which each front end lays out in its
own way; reports in several forms (contents, charts, forms), and their issues (issue).
"""
