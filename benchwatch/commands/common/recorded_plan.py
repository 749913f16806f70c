"""The plan of a recorded counter, completed from a bench file."""

import time
from dataclasses import replace
from pathlib import Path
from typing import Final

import click

from benchwatch.bench import Bench, load_bench
from benchwatch.estimate.uncertainty.offset_record import Reference
from benchwatch.plan import Plan
from benchwatch.reading import DEFAULT_COUNTER
from benchwatch.recording import Recording

bench_option: Final = click.option(
    "--bench",
    "bench_file",
    type=click.Path(path_type=Path),
    help="The bench file of that bench: its reference, and what is known of the counters' own.",
)


def plan_of_recording(
    recording: Recording, bench_file: Path | None, counter: str | None = None
) -> Plan:
    """Make the plan of a recorded counter: limits and time bases come from a bench file.

    The counter is found in the bench file by its name, or without a name if the file has only one.
    The age of a calibration is the age at the time of the run.

    Args:
        recording: the recording of one counter.
        bench_file: path of the bench file; None: no limits, and nothing known of the time bases.
        counter: name of the counter, used if the recording has none.

    Raises:
        FileError: the bench file can't be read.
        UsageError: the bench file has a wrong key or value.
    """
    name = recording.counter or DEFAULT_COUNTER
    plan = Plan(name=name, resource=recording.source, driver="replay", nominal=recording.nominal)
    if bench_file is None:
        return plan
    now_s = time.time()
    bench = load_bench(bench_file, utc_s=now_s)
    ago_s = 0.0 if recording.utc_start_s is None else now_s - recording.utc_start_s
    stated = _counter(bench, recording.counter or counter)
    return replace(
        plan,
        tolerance=None if stated is None else stated.tolerance,
        settle=None if stated is None else stated.settle,
        reference=_as_of(bench.reference, ago_s),
        own_time_base=None if stated is None else _as_of(stated.own_time_base, ago_s),
        on_reference=bench.reference is not None,
        working_hz=(stated and stated.working_hz) or bench.working_hz,
    )


def _counter(bench: Bench, name: str | None) -> Plan | None:
    """Return the plan of the counter `name`; without a name, that of a single counter."""
    if name is None and len(bench.counters) == 1:
        return bench.counters[0]
    return next((plan for plan in bench.counters if plan.name == name), None)


def _as_of(reference: Reference | None, ago_s: float) -> Reference | None:
    """Return `reference` with the time between its calibration and the moment `ago_s` ago."""
    if reference is None or reference.age_s is None:
        return reference
    return replace(reference, age_s=abs(reference.age_s - ago_s))
