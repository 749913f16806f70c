"""Cautions of a record: reasons to doubt the offset that is put on record."""

from dataclasses import replace
from typing import Final

from benchwatch.errors import NoReadings
from benchwatch.estimate.trim.as_found import (
    FEWEST_READINGS,
    USUAL_HORIZON_S,
    QuietStretch,
    least_motion,
)
from benchwatch.estimate.trim.landing import DEFAULT_HOLD_S
from benchwatch.estimate.uncertainty.offset_record import CAUTION, OffsetRecord
from benchwatch.quantity import format_duration, how_many, write_fraction
from benchwatch.reading import AS_FOUND, AS_LEFT, RecordKind
from benchwatch.snapshot import Snapshot, TrimNow
from benchwatch.staleness import age_s, is_current

TOOL_ON: Final = "tool on the trimmer"
STILL_MOVING: Final = "still moving by more than asked"
NOT_KNOWN_SETTLED: Final = "not yet known to have settled"

DRIFT_ROUNDING_SHARE: Final = 0.1
"""The drift in a caution is rounded as if its uncertainty were this part of it."""
SURELY_MOVING_U: Final = 10.0
"""Without any limit, a drift of more than so many standard uncertainties of the offset is a reason
for a caution."""


def refuse_if_old(kind: RecordKind, now: Snapshot, at_s: float) -> None:
    """Refuse to record an offset that is not current at `at_s`, seconds of the run.

    After a run that ended in order, as at a number of readings, the age alone decides: a script may
    record then.

    Raises:
        NoReadings: readings have stopped; the message gives the age of the newest one.
    """
    age = age_s(now, at_s)
    if now.link.state == "ended" and not now.link.detail:
        now = replace(now, link=replace(now.link, state="reading"))
    if age is None or is_current(now, at_s):
        return
    raise NoReadings(
        f"nothing was recorded {kind}: no readings come, and the newest is "
        f"{format_duration(age)} old. Wait until readings come again, then record."
    )


def cautions(kind: RecordKind, now: Snapshot, at_s: float) -> tuple[str, ...]:
    """Return the reasons to doubt a record of `now`, made at `at_s` seconds of the run."""
    trim = now.trim or TrimNow()
    reasons = []
    if trim.tool is not None and trim.tool.on:
        reasons.append(TOOL_ON)
    elif kind == AS_LEFT:
        reasons += _not_landed(trim, at_s)
    if kind == AS_FOUND and trim.turn is not None:
        reasons.append("the trimmer had been turned already")
    settle, estimate = now.numbers.settle, now.numbers.estimate
    if settle is not None and settle.state != "settled":
        reasons.append(STILL_MOVING if settle.state == "warming" else NOT_KNOWN_SETTLED)
    if estimate is not None and estimate.readings < FEWEST_READINGS:
        reasons.append(f"from {how_many(estimate.readings, 'reading')} only")
    return tuple(reasons)


def cautions_of_quiet(quiet: QuietStretch, tolerance: float | None) -> tuple[str, ...]:
    """Return the reasons to doubt as found, measured from the stretch before the first turn.

    Args:
        quiet: the stretch.
        tolerance: limit of the offset (fractional), or None. Without a settle limit, a drift by
            more than the tolerance within `USUAL_HORIZON_S` is a reason.
    """
    reasons = []
    if quiet.settle == "warming":
        reasons.append(STILL_MOVING)
    elif quiet.settle == "unsure":
        reasons.append(NOT_KNOWN_SETTLED)
    elif quiet.settle is None:
        motion = least_motion(quiet.drift, USUAL_HORIZON_S)
        allowed = SURELY_MOVING_U * (quiet.estimate.u or 0.0) if tolerance is None else tolerance
        if motion > allowed:
            change = write_fraction(motion, DRIFT_ROUNDING_SHARE * motion, digits=1)
            size = f"{change.digits.lstrip('+')} {change.unit}"
            reasons.append(f"still moving by {size} or more in {format_duration(USUAL_HORIZON_S)}")
    if quiet.passed_over is not None:
        step = write_fraction(quiet.passed_over.size, quiet.passed_over.u)
        reasons.append(f"a step of {step} came before it, while it had not settled")
    return tuple(reasons)


def _not_landed(trim: TrimNow, at_s: float) -> list[str]:
    """Return why the trim has not landed at `at_s` (touched lately, outside); empty if it has."""
    landing = trim.landing
    if landing is not None and landing.state == "landed":
        return []
    hold_s = DEFAULT_HOLD_S if landing is None else landing.hold_s
    touched = [] if trim.turn is None else [trim.turn.at_s + trim.turn.lasted_s]
    if trim.tool is not None and trim.tool.since_s is not None:
        touched.append(trim.tool.since_s)
    reasons = []
    if touched and at_s - max(touched) < hold_s:
        reasons.append(f"not hands off for {format_duration(hold_s)}")
    if landing is None:
        return reasons
    if landing.state == "outside":
        return [f"not landed: {landing.reason}", *reasons]
    if reasons:
        return reasons
    if landing.held_s < landing.hold_s:
        return [f"inside for {format_duration(landing.held_s)} only"]
    return [f"not landed: {landing.reason}"]


def with_cautions(record: OffsetRecord, reasons: tuple[str, ...]) -> OffsetRecord:
    """Return `record` with the cautions `reasons`.

    The budget has no line for the effect of a tool or a hand, so that effect is listed as missing.
    """
    if not reasons:
        return record
    touched = [one for one in reasons if one == TOOL_ON or one.startswith("not hands off")]
    missing = (*record.budget.missing, *(f"influence of hand and tool: {one}" for one in touched))
    return replace(
        record,
        budget=replace(record.budget, missing=missing),
        conditions=(*record.conditions, (CAUTION, "; ".join(reasons))),
    )
