"""The settle verdict: settled or not, time to go, a cycle of the offset, and drift.

In: clean readings one at a time, nudges, gaps. Out: `results.Settle`, `Drift`, warm-up curve.
`settle_estimator.SettleEstimator` is the entry; the other modules are its parts.
"""
