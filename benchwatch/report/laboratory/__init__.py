"""The laboratory file: who issues a report, by which decision rule, and its own sentences.

In: a TOML file that the laboratory writes. Out: `Laboratory`, or a sentence on what is wrong.
"""
