"""The forms of a report: HTML, PDF, text, JSON, CSV, XML.

In: the document for JSON that `benchwatch.report.contents` makes. Out: the bytes of a file. A form
formats no number and computes none: each one it shows is a text of the document, but for numbers
of pages. The same document gives the same bytes.
"""
