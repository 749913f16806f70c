"""Puts an offset on record: as found, as left."""

import json
import math

from benchwatch.errors import NoReadings
from benchwatch.estimate.found import Quiet
from benchwatch.estimate.measured import estimated_record
from benchwatch.estimate.offset_record import OffsetRecord, RecordKind, Reference
from benchwatch.estimate.results import Drift, Estimate
from benchwatch.quantity import format_duration
from benchwatch.reading import Record
from benchwatch.snapshot import Snapshot


def record_now(kind: RecordKind, now: Snapshot, reference: Reference | None) -> OffsetRecord:
    """Put the present estimate on record.

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
    return _record(kind, now, estimate, now.numbers.drift, utc_s=utc_s, reference=reference)


def record_of_quiet(quiet: Quiet, now: Snapshot, reference: Reference | None) -> OffsetRecord:
    """Put the quiet stretch before the first nudge on record, as found."""
    since_s = 0.0 if now.reading is None else now.reading.elapsed_s - quiet.elapsed_s
    utc_s = 0.0 if now.reading is None else now.reading.utc_s
    middle_s = utc_s - since_s - quiet.estimate.span_s / 2.0
    return _record(
        "as found", now, quiet.estimate, quiet.drift, utc_s=middle_s, reference=reference
    )


def filed(record: OffsetRecord, elapsed_s: float) -> Record:
    """Wrap a record as an event for the journal."""
    document = json.dumps(record.as_dict(), allow_nan=False)
    return Record(record.counter, record.utc_s or 0.0, elapsed_s, record.kind, document)


def _record(
    kind: RecordKind,
    now: Snapshot,
    estimate: Estimate,
    drift: Drift | None,
    *,
    utc_s: float,
    reference: Reference | None,
) -> OffsetRecord:
    resolution_hz = 0.0 if now.reading is None else now.reading.resolution_hz
    external = now.time_base.source == "external"
    if not external or reference is None:
        reference = Reference("reference" if external else "counter's time base")
    gate = "unknown" if now.gate_s is None else format_duration(now.gate_s)
    settle = now.numbers.settle
    conditions = [("gate", gate), ("time base", now.time_base.source)]
    if settle is not None:
        conditions.append(("settle", settle.state))
    if now.identity is not None:
        conditions.append(("counter", now.identity.text))
    return estimated_record(
        kind,
        now.counter,
        estimate,
        drift,
        reference,
        nominal_hz=now.nominal_hz if now.nominal_hz > 0 else None,  # a recording of offsets
        utc_s=utc_s if math.isfinite(utc_s) else None,  # a recording may give no dates
        resolution=resolution_hz / now.nominal_hz if now.nominal_hz > 0 else None,
        conditions=tuple(conditions),
    )
