"""Wording of amounts, rates and times.

In: numbers. Out: text; every digit comes from `benchwatch.quantity`.
"""
