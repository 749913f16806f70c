"""What a report says: its sections, composed to one document for JSON.

In: a visit with its unit, what was measured, and the laboratory's file. Out: ``report.json``, in
which every number is a string as it is printed; all forms of the report are functions of it.
"""
