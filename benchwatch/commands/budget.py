"""``benchwatch budget``: prints the uncertainty budget of a recorded offset."""

from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import click
import numpy as np

from benchwatch.api.recorded_budget import conditions_of, part_of_recording
from benchwatch.commands.common.chosen_runs import RecordedSource
from benchwatch.commands.common.option_types import (
    DURATION,
    FRACTION,
    FREQUENCY,
    read_coverage,
    settle_of,
)
from benchwatch.commands.common.output import narrate, print_text
from benchwatch.commands.common.progress import progress
from benchwatch.commands.common.record_of_visit import print_record_json, record_first
from benchwatch.commands.common.recorded_plan import bench_option, plan_of_recording
from benchwatch.commands.common.recorded_source import source_options
from benchwatch.commands.common.recording_options import RecordingOptions, file_options
from benchwatch.commands.common.shared_options import coverage_option, reference_offset_option
from benchwatch.commands.common.time_range import (
    TimeRange,
    TypedRange,
    settled_from,
    time_range_options,
    typed_rows,
    when,
)
from benchwatch.errors import NoReadings, QuantityError, UsageError
from benchwatch.estimate.derived_frequencies import DAY_S
from benchwatch.estimate.run_changes import SteadyPart
from benchwatch.estimate.uncertainty.measured_record import averaged, measured_record
from benchwatch.estimate.uncertainty.offset_record import Reference
from benchwatch.estimate.uncertainty.uncertainty_budget import USUAL_COVERAGE
from benchwatch.plan import CountedBy
from benchwatch.quantity import how_many, parse_ageing, parse_duration, printable
from benchwatch.reading import (
    AS_FOUND,
    AS_LEFT,
    DEFAULT_COUNTER,
    RECORD_KINDS,
    RecordKind,
)
from benchwatch.recording import Recording
from benchwatch.recording.dates import read_moment
from benchwatch.report.record_document import record_text

OLDEST_CALIBRATION_S = 100 * 365.25 * DAY_S
"""Age of a calibration above which it is refused as a typing error."""


def calibration_age_s(text: str, at_utc_s: float | None) -> float:
    """Return the age in seconds that ``--calibrated`` states: an age such as ``90d``, or a date.

    Args:
        text: as typed.
        at_utc_s: time of the run, Unix seconds; None when the recording has no dates.

    Raises:
        UsageError: the text is neither age nor date, the date lies after the run, or the run has
            no date to compare it with.
    """
    try:
        age_s = parse_duration(text)
    except QuantityError:
        calibrated_s = read_moment(text, "--calibrated")
    else:
        return _plausible_age_s(age_s, text)
    if at_utc_s is None:
        raise UsageError(
            "the file has no dates, so a date of calibration gives no age. "
            "Write the age at the time of the run instead, such as --calibrated 90d."
        )
    if calibrated_s > at_utc_s:
        raise UsageError(f"--calibrated {printable(text)} lies after the run.")
    return _plausible_age_s(at_utc_s - calibrated_s, text)


def _plausible_age_s(age_s: float, text: str) -> float:
    """Return `age_s`; refuse one above `OLDEST_CALIBRATION_S`."""
    if age_s > OLDEST_CALIBRATION_S:
        raise UsageError(
            f"--calibrated {printable(text)}: no calibration of a hundred years ago still counts."
        )
    return age_s


@click.command()
@record_first
@source_options()
@file_options
@click.option("--counter", help="Which counter, where the file holds several.")
@click.option("--last", "last_s", type=DURATION, help="Only the end of the run, such as 10min.")
@time_range_options
@click.option("--kind", type=click.Choice(RECORD_KINDS), default=AS_LEFT, show_default=True)
@click.option("--resolution", type=FREQUENCY, help="Last digit of a reading, such as 0.0001.")
@bench_option
@click.option("--reference", help="What to call what counts the seconds; time base if left out.")
@click.option(
    "--reference-u",
    type=FRACTION,
    help="Its standard uncertainty when calibrated (half of a certificate's U at k = 2).",
)
@reference_offset_option
@click.option("--calibrated", metavar="DATE|AGE", help="When it was calibrated, or how long ago.")
@click.option(
    "--reference-ageing",
    metavar="RATE|none",
    help="Most it ages either way, such as 1e-10/1d; none for a disciplined one.",
)
@coverage_option("U", USUAL_COVERAGE)
@click.option("--json", "as_json", is_flag=True, help="A line a contribution, for programs.")
def budget(
    *,
    source: RecordedSource,
    stated: RecordingOptions,
    counter: str | None,
    last_s: float | None,
    part: TypedRange,
    kind: RecordKind,
    resolution: Decimal | None,
    bench_file: Path | None,
    reference: str | None,
    reference_u: float | None,
    reference_offset: float | None,
    calibrated: str | None,
    reference_ageing: str | None,
    coverage: str,
    as_json: bool,
) -> None:
    """Print the uncertainty budget of the offset that was recorded in FILE.

    The offset is the mean of the readings since the last nudge; as found, of those before the
    first, from the end of a warm-up on. Lone wild readings are left out and counted. Without
    FILE the journal is read: the run that --run names, else its newest watch of real counters
    with readings; FILE may be a journal too. Noise, resolution and drift come from the readings;
    what the time base or reference brings has to be stated, and is listed as missing if it is
    not.

    With --visit the budget is the one on record in that visit, as its report has it. Where the
    visit has no record of that kind, or an option asks for something else than that record, it
    is computed from the visit's readings.
    """
    share = read_coverage(coverage)
    recording = stated.read_one(source, counter)
    plan = plan_of_recording(recording, bench_file, counter)
    settle = settle_of(part.settle, recording.nominal) or plan.settle
    rows = _typed_rows(recording, part, last_s)
    with progress("choosing the readings of the budget"):
        counted = part_of_recording(recording, rows, kind, plan, settle)
    steady = _settled(recording, counted.steady, part, kind, limited=settle is not None)
    if not steady.readings:
        raise NoReadings(f"{recording.source} has no usable reading in that part.")
    side = "before the first" if kind == AS_FOUND else "after the last"
    if counted.nudges:
        narrate(f"the trimmer was turned in this run; the budget is of what came {side} nudge.")
    if counted.changes:
        narrate(f"the time base changed in this run; the budget is of what came {side} change.")
    run = averaged(steady.times_s, steady.offsets, recording.interval_s or 0.0)
    utc_s = None if recording.utc_start_s is None else recording.utc_start_s + run.middle_s
    stated_reference = {
        "name": None if reference is None else printable(reference),
        "u": reference_u,
        "offset": reference_offset,
        "age_s": None if calibrated is None else calibration_age_s(calibrated, utc_s),
        "ageing_per_s": None if reference_ageing is None else parse_ageing(reference_ageing),
    }
    typed: dict[str, Any] = {
        key: value for key, value in stated_reference.items() if value is not None
    }
    record = measured_record(
        kind,
        recording.counter or DEFAULT_COUNTER,
        run,
        replace(_time_base(counted.by, bench_file), **typed),
        nominal_hz=None if recording.nominal is None else float(recording.nominal),
        utc_s=utc_s,
        resolution=_resolution(recording, resolution),
        conditions=tuple(conditions_of(recording, counted.by.source)),
    )
    known_s = np.array(steady.times_s)[np.isfinite(steady.offsets)]
    how = part.since or ("typed" if part.begin or part.end or last_s else "whole")
    how = "nudge" if how != "settled" and counted.nudges and kind == AS_LEFT else how
    used = TimeRange(
        begin_s=float(known_s[0]), end_s=float(known_s[-1]), since=how, spikes=steady.spikes
    )
    if as_json:
        print_record_json(record, share, used.json_values(recording))
        return
    print_text(record_text(record, share))
    if steady.spikes:
        print_text(f"{how_many(steady.spikes, 'spike')} left out.")


def _time_base(by: CountedBy, bench_file: Path | None) -> Reference:
    """Return the time base of the readings, before typed options replace parts of it."""
    if bench_file is None:
        return replace(by.reference, name="time base")
    if by.source == "external":
        narrate(f"counted by {printable(by.reference.name)}, as the bench file has it.")
    return by.reference


def _typed_rows(recording: Recording, part: TypedRange, last_s: float | None) -> slice:
    """Return the rows of the readings that ``--from``, ``--to`` and ``--last`` select."""
    rows = typed_rows(recording, part)
    if last_s is None:
        return rows
    time_s = recording.time_s[rows]
    first = int(np.searchsorted(time_s, float(time_s[-1]) - last_s, side="right"))
    return slice(rows.start + first, rows.stop)


def _settled(
    recording: Recording, steady: SteadyPart, part: TypedRange, kind: RecordKind, *, limited: bool
) -> SteadyPart:
    """Leave out a warm-up, for as found or ``--since settled``; else report that it is included."""
    if part.since == "settled":
        begin_s = settled_from(recording, steady.settled_s, limit="stated" if limited else None)
        return steady if begin_s is None else steady.since(begin_s)
    if steady.settled_s is None:
        return steady
    at = when(recording, steady.settled_s)
    if kind == AS_FOUND:
        narrate(f"as found is of what came after {at}, once settled.")
        return steady.since(steady.settled_s)
    narrate(
        f"it was still warming until {at}, and the budget counts that too; "
        "--since settled leaves it out."
    )
    return steady


def _resolution(recording: Recording, stated_hz: Decimal | None) -> float | None:
    """Return the resolution of a reading as a fraction; None without a nominal."""
    resolution_hz = recording.resolution_hz if stated_hz is None else float(stated_hz)
    if recording.nominal is None:
        if stated_hz is not None:
            raise UsageError("--resolution is in hertz and needs --nominal to become a fraction.")
        return None
    return resolution_hz / float(recording.nominal)
