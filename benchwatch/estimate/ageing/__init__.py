"""Ageing between visits.

In: offsets and their days. Out: fitted laws, forecasts with a band, and the day the unit is due.
"""
