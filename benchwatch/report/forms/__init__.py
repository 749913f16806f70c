"""The forms of a report: HTML, PDF, text, JSON, CSV, XML.

In: the document for JSON that `benchwatch.report.contents` makes. Out: the bytes of a file.
"""
