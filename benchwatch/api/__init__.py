"""What scripts and notebooks use, as `import benchwatch`: the package gives these names.

In: recorded files, runs and visits, readings one by one, or a live counter; quantities as text or
numbers (`quantities`). Out: arrays, snapshots, results of the estimate, files. Everything is
computed by the same functions as for the commands, and nothing here imports the screen.

Reading: recordings, registered. Readings one by one: estimator. Live: watching, watched_plans.
Results: recorded_stability, recorded_budget, ageing, conversions, reports. Files: export with
export_rows, export_tables and export_lines. The schema of the JSON lines: line_schema.
"""
