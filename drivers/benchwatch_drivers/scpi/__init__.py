"""Counters that speak SCPI-1999.

In: a link. Out: `scpi_driver.ScpiCounter`, which sends queries only until something is to be set.
"""
