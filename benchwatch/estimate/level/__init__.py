"""The present level of the offset, and the nudges of the trimmer.

`LevelEstimator` takes one reading at a time; it returns the level with its u, the confirmed nudge,
whether the reading is suspect, and the level at which a creep will come to rest.
"""
