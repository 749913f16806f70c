"""A visit as it was measured: what the journals have of its runs, thinned for charts.

In: a visit of the register, and the folder of the journals that hold its runs
(`visit_reader.read_measured_visit`). Out: `MeasuredVisit`: runs, offsets, turns, settle marks,
stability since the last turn, and the fingerprint of the readings.
"""
