"""The uncertainty budget of a recorded offset."""

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from benchwatch.api.quantities import Settled, not_settled_words, one_of, settle_limit
from benchwatch.counter import TimeBaseSource
from benchwatch.errors import NoReadings, UsageError
from benchwatch.pipeline.budget_part import BudgetPart, budget_part
from benchwatch.plan import Plan
from benchwatch.quantity import format_duration
from benchwatch.reading import AS_FOUND, AS_LEFT, RECORD_KINDS, Gap, Reading, RecordKind
from benchwatch.recording import Recording
from benchwatch.recording.run_statistics import spikes_of

if TYPE_CHECKING:
    from benchwatch.estimate.results import SettleLimit
    from benchwatch.estimate.uncertainty.offset_record import OffsetRecord, Reference


def budget(
    recording: Recording,
    kind: RecordKind = AS_LEFT,
    *,
    reference: "Reference | None" = None,
    resolution_hz: float | None = None,
    since: Literal["settled"] | None = None,
    settle: Settled | None = None,
) -> "OffsetRecord":
    """Return the mean offset of a recording with its budget, as ``benchwatch budget`` does.

    The readings are those since the last nudge; as found, those before the first, from the end of
    a warm-up on. Lone wild readings are left out.

    Args:
        recording: of one counter.
        kind: as found, as left, or measured.
        reference: what the counter counts by; None: nothing is stated, and the record's budget
            lists it as missing.
        resolution_hz: last digit of a reading; None: as the recording has it.
        since: ``settled`` leaves the readings before the settling out; None: of as left they count.
        settle: what settled means, and then with `since` the recording must have settled; None:
            where a warm-up ends that stands out.

    Raises:
        NoReadings: no usable reading is in that part.
        UsageError: a value of the reference is none, or the oscillator has not settled within
            `settle`.
    """
    from benchwatch.estimate.uncertainty.measured_record import (  # noqa: PLC0415 - slow to load
        averaged,
        measured_record,
    )

    one_of(RECORD_KINDS, kind, "kind")
    if since is not None:
        one_of(("settled",), since, "since")
    limit = settle_limit(settle, recording.nominal)
    plan = Plan(name=recording.name, resource=recording.source, nominal=recording.nominal)
    counted = part_of_recording(
        recording,
        slice(0, len(recording)),
        kind,
        plan,
        limit,
    )
    steady = counted.steady
    if since == "settled" and steady.settled_s is None and limit is not None:
        raise UsageError(not_settled_words(recording.source))
    if steady.settled_s is not None and (kind == AS_FOUND or since == "settled"):
        steady = steady.since(steady.settled_s)
    if not steady.readings:
        raise NoReadings(f"{recording.source} has no usable reading in that part.")
    run = averaged(steady.times_s, steady.offsets, recording.interval_s or 0.0)
    nominal_hz = None if recording.nominal is None else float(recording.nominal)
    resolution = recording.resolution_hz if resolution_hz is None else resolution_hz
    start_s = recording.utc_start_s
    return measured_record(
        kind,
        recording.name,
        run,
        reference or replace(counted.by.reference, name="time base"),
        nominal_hz=nominal_hz,
        utc_s=None if start_s is None else start_s + run.middle_s,
        resolution=None if nominal_hz is None else resolution / nominal_hz,
        conditions=tuple(conditions_of(recording, counted.by.source)),
    )


def part_of_recording(
    recording: Recording,
    rows: slice,
    kind: RecordKind,
    plan: Plan,
    settle: "SettleLimit | None",
) -> BudgetPart:
    """Return the part of `rows` that a budget uses, without spikes of the whole recording."""
    wild = spikes_of(recording)
    first_s, last_s = float(recording.time_s[rows.start]), float(recording.time_s[rows.stop - 1])
    events = (
        event
        for event in recording.events()
        if isinstance(event, Reading | Gap) and first_s <= event.elapsed_s <= last_s
    )
    wild_s = frozenset(recording.time_s[np.flatnonzero(wild)].tolist())
    return budget_part(events, kind, plan, settle=settle, wild_s=wild_s)


def conditions_of(recording: Recording, source: TimeBaseSource) -> Iterator[tuple[str, str]]:
    """Yield the conditions of a run as pairs (name, value): its gates and its time base."""
    gates = recording.gates()
    if gates:
        yield "gate", ", ".join(format_duration(gate) for gate in sorted(gates))
    if source != "unknown":
        yield "time base", source
