"""An oven oscillator from power-on to a table: watched, judged, and handed on.

Run it as it is: ``python docs/examples/oven_warm_up.py``. It watches a simulated tide-gauge station
for half a minute; give it your own counter's resource string to watch that. The parts between the
lines ``# %%`` are the cells of the notebook beside it.
"""

# %% What is watched: a simulated bench, or the counter that is typed behind the name of this script
import sys
from pathlib import Path
from tempfile import mkdtemp

import benchwatch

typed = [word for word in sys.argv[1:2] if not word.startswith("-")]
folder = Path(mkdtemp(prefix="oven-"))
settings = benchwatch.watch(
    typed or None,
    sim=None if typed else "station",
    nominal="10 MHz",
    tolerance="50 ppb",
    settle="20 ppb/5 s",
    lasts="10 min" if typed else "30 s",
    until_settled=True,
    journal=folder / "run.db",
)

# %% Watch it warm up: a line for every twentieth reading
with settings as watch:
    for now in watch:
        estimate, settle = now.numbers.estimate, now.numbers.settle
        if estimate is not None and settle is not None and now.readings % 20 == 0:
            print(f"{now.readings:4} readings  {estimate.offset * 1e9:+9.2f} ppb  {settle.state}")
    record = watch.record("measured")
print("it ended:", watch.outcome.reason if watch.outcome is not None else "not begun")

# %% Read the run back as arrays
run = benchwatch.read_run(journal=folder / "run.db")
print(f"{len(run)} readings, from {run.offset[0]:+.2e} to {run.offset[-1]:+.2e}")

# %% How stable it was at the end, when it no longer warmed up
last = run.offset[-40:]
drift_free = last - last.mean()
for row in benchwatch.deviations(drift_free, "oadev", interval=run.interval_s or 1.0):
    print(f"oadev at {row.tau_s:5.2f} s: {row.value:.1e}  ({row.noise or 'noise unknown'})")

# %% The offset on record with its uncertainty, and what it is where the oscillator is used
print(f"offset {record.offset * 1e9:+.3f} ppb, u {record.u * 1e9:.3f} ppb")
print("not known:", ", ".join(record.budget.missing))
for place in benchwatch.offset_elsewhere(record.offset, "10 MHz", ["2.4 GHz", 1], u=record.u):
    print(f"{place.frequency_hz:12.0f} Hz: off by {place.offset_hz:+.3g} Hz")

# %% Hand the readings on
table = benchwatch.export(run, folder / "oven.csv")
print("exported to", table)
