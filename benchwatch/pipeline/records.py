"""Puts an offset on record: as found, as left."""

import json
import math
from dataclasses import replace

from benchwatch.errors import NoReadings
from benchwatch.estimate.comparison.counter_comparison import as_read
from benchwatch.estimate.results import Drift, Estimate, SettleState
from benchwatch.estimate.trim.as_found import QuietStretch
from benchwatch.estimate.uncertainty.measured_record import estimated_record
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.plan import CountedBy
from benchwatch.quantity import format_duration
from benchwatch.reading import AS_FOUND, Record, RecordKind
from benchwatch.snapshot import Snapshot


def record_now(kind: RecordKind, now: Snapshot, by: CountedBy) -> OffsetRecord:
    """Put the present estimate on record.

    Args:
        kind: as found or as left.
        now: what there is to record, put right by the reference's offset.
        by: what counted it.

    Raises:
        NoReadings: there is no estimate with an uncertainty yet.
    """
    estimate = now.numbers.estimate
    if now.reading is None or estimate is None or estimate.u is None:
        raise NoReadings(
            f"there is nothing to record {kind} yet: wait until the offset is known with an "
            "uncertainty, a few readings after the last nudge or gap."
        )
    utc_s = now.reading.utc_s - estimate.span_s / 2.0
    verdict = now.numbers.settle
    settle = None if verdict is None else verdict.state
    return _record(kind, now, estimate, now.numbers.drift, by, utc_s=utc_s, settle=settle)


def record_of_quiet(quiet: QuietStretch, now: Snapshot, by: CountedBy) -> OffsetRecord:
    """Put the quiet stretch before the first nudge on record, as found.

    Args:
        quiet: that stretch, put right by the reference's offset.
        now: the state after the nudge.
        by: what counted it.
    """
    since_s = 0.0 if now.reading is None else now.reading.elapsed_s - quiet.elapsed_s
    utc_s = 0.0 if now.reading is None else now.reading.utc_s
    middle_s = utc_s - since_s - quiet.estimate.span_s / 2.0
    return _record(
        AS_FOUND, now, quiet.estimate, quiet.drift, by, utc_s=middle_s, settle=quiet.settle
    )


def filed(record: OffsetRecord, elapsed_s: float) -> Record:
    """Wrap a record as an event for the journal."""
    document = json.dumps(record.as_dict(), allow_nan=False)
    return Record(
        counter=record.counter,
        utc_s=record.utc_s or 0.0,
        elapsed_s=elapsed_s,
        kind=record.kind,
        document=document,
    )


def _record(
    kind: RecordKind,
    now: Snapshot,
    estimate: Estimate,
    drift: Drift | None,
    by: CountedBy,
    *,
    utc_s: float,
    settle: SettleState | None,
) -> OffsetRecord:
    resolution_hz = 0.0 if now.reading is None else now.reading.resolution_hz
    # A budget states the offset as read and the reference's own, which together are the true one.
    estimate = replace(estimate, offset=as_read(estimate.offset, by.reference.offset))
    gate = "unknown" if now.gate_s is None else format_duration(now.gate_s)
    conditions = [("gate", gate), ("time base", by.source)]
    if settle is not None:
        conditions.append(("settle", settle))
    if now.identity is not None:
        conditions.append(("counter", now.identity.text))
    return estimated_record(
        kind,
        now.counter,
        estimate,
        drift,
        by.reference,
        nominal_hz=now.nominal_hz if now.nominal_hz > 0 else None,  # a recording of offsets
        utc_s=utc_s if math.isfinite(utc_s) else None,  # a recording may give no dates
        resolution=resolution_hz / now.nominal_hz if now.nominal_hz > 0 else None,
        conditions=tuple(conditions),
    )
