"""Reads tables: text in columns, separated by commas, semicolons, tabs or blanks, and Parquet.

In: the lines of a file, or its Parquet columns, and what the caller states on its columns. Out:
rows with times and exact numbers, and sentences on what was guessed from headings and rows.
"""
