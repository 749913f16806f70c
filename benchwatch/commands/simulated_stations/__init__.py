"""Simulated stations in one process, for ``benchwatch simulate chain``.

In: how many stations and counters, and their faults. Out: journals, written by the code of a real
watch, and with a broker what a real station sends.
"""
