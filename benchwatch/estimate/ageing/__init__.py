"""Ageing between visits.

In: dated offsets. Out: fitted laws, forecasts with a band, and the date at which the unit is due.
"""
