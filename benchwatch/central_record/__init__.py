"""The central record: the readings, visits and entries of many stations in PostgreSQL.

In: batches of stations. Out: runs and entries, as the journal and the register of one machine give
them. Only this folder uses psycopg.
"""
