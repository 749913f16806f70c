"""Has the oven settled, until when not, by what it cycles, and for how long it has held.

In: clean readings one at a time, nudges, gaps. Out: `results.Settle`, drift and warm-up curve.
`settle_estimator.SettleEstimator` is the entry; the other modules are its parts.
"""
