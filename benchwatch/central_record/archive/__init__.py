"""Old days of readings of the central record, in Parquet files.

In: the partitions of days. Out: files that were compared with the record row by row, the record
without the days that are whole in them, and the runs in a file. Only this folder uses duckdb.
"""
