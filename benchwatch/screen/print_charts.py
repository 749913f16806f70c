"""Charts for print of what a view shows, made from the same frame."""

import math
from typing import TYPE_CHECKING

from benchwatch.measured_visit.measured_visit import (
    MeasuredVisit,
    SettleMark,
    Span,
    ThinnedOffsets,
    Turn,
    tool_spans,
)
from benchwatch.reading import TOOL_WORDS
from benchwatch.screen.frame import Frame
from benchwatch.snapshot import LoggedEvent, Snapshot, Trace

if TYPE_CHECKING:
    from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
    from benchwatch.report.charts.chart import Chart


def offsets_print_chart(frame: Frame) -> "Chart | None":
    """Return the chart of the offsets on the strip chart; None where there are none."""
    from benchwatch.report.charts.visit_chart import visit_chart  # noqa: PLC0415 - only to save

    snapshot, trace = frame.snapshot, frame.trace
    measured = MeasuredVisit(
        offsets=_points(snapshot, trace),
        turns=_turns(snapshot, trace),
        tool_on=_tool_spans(snapshot, trace),
        settle_marks=_settle_marks(snapshot),
    )
    return visit_chart(
        measured,
        records=_records(measured.offsets, snapshot),
        tolerance=_tolerance(snapshot),
        nominal_hz=snapshot.nominal_hz,
        undated=snapshot.utc_at(0.0) is None,
    )


def warm_up_print_chart(frame: Frame) -> "Chart | None":
    """Return the chart of the warm-up with its fitted curve; None without a reading."""
    from benchwatch.report.charts.warm_up_chart import warm_up_chart  # noqa: PLC0415 - only to save

    snapshot = frame.snapshot
    warm_up = snapshot.warm_up
    measured = MeasuredVisit(
        warm_up=_points(snapshot, frame.trace),
        power_on_utc_s=None if warm_up is None else _time(snapshot, warm_up.since_s),
        settle_marks=_settle_marks(snapshot),
    )
    has_curve = warm_up is not None and warm_up.curve.offset
    return warm_up_chart(
        measured,
        tolerance=_tolerance(snapshot),
        nominal_hz=snapshot.nominal_hz,
        log_time=frame.preferences.log_time,
        curve=_points(snapshot, warm_up.curve) if warm_up is not None and has_curve else None,
        size="wide",
        undated=snapshot.utc_at(0.0) is None,
    )


def _time(snapshot: Snapshot, elapsed_s: float) -> float:
    """Return the Unix time of seconds of the run; these themselves where there are no dates."""
    utc_s = snapshot.utc_at(elapsed_s)
    return elapsed_s if utc_s is None else utc_s


def _points(snapshot: Snapshot, trace: Trace) -> ThinnedOffsets:
    return ThinnedOffsets(
        utc_s=tuple(_time(snapshot, elapsed_s) for elapsed_s in trace.elapsed_s),
        low=trace.offset,
        high=trace.offset,
        readings=sum(map(math.isfinite, trace.offset)),
    )


def _shown(snapshot: Snapshot, trace: Trace) -> list[LoggedEvent]:
    """Return the entries of the log within the time of the trace."""
    if not trace.elapsed_s:
        return []
    begin_s, end_s = trace.elapsed_s[0], trace.elapsed_s[-1]
    return [one for one in snapshot.logged_events or () if begin_s <= one.elapsed_s <= end_s]


def _turns(snapshot: Snapshot, trace: Trace) -> tuple[Turn, ...]:
    return tuple(
        Turn(utc_s=_time(snapshot, one.elapsed_s), size=one.nudge.size, u=one.nudge.u)
        for one in _shown(snapshot, trace)
        if one.kind == "nudge" and one.nudge is not None
    )


def _tool_spans(snapshot: Snapshot, trace: Trace) -> tuple[Span, ...]:
    """Return when the tool was on, as far as the log reaches; a chart shows its own part of it."""
    states = {words: on for on, words in TOOL_WORDS.items()}
    touches = [
        (_time(snapshot, one.elapsed_s), states[one.text])
        for one in snapshot.logged_events or ()
        if one.kind == "tool" and one.text in states
    ]
    if touches and not touches[0][1]:  # it was on when the log began
        begin_s = trace.elapsed_s[0] if trace.elapsed_s else 0.0
        touches.insert(0, (_time(snapshot, begin_s), True))
    return tool_spans(touches)


def _settle_marks(snapshot: Snapshot) -> tuple[SettleMark, ...]:
    """Return when it settled, where it is settled now."""
    settle = snapshot.numbers.settle
    if settle is None or settle.state != "settled" or settle.since_s is None:
        return ()
    utc_s = _time(snapshot, settle.since_s)
    return (SettleMark(utc_s=utc_s, state="settled", text=settle.reason),)


def _records(offsets: ThinnedOffsets, snapshot: Snapshot) -> "list[OffsetRecord]":
    """Return the records within the time of the points."""
    records = snapshot.records
    if records is None or not offsets.utc_s:
        return []
    begin_s, end_s = offsets.utc_s[0], offsets.utc_s[-1]
    both = (records.as_found, records.as_left)
    return [
        one
        for one in both
        if one is not None and one.utc_s is not None and begin_s <= one.utc_s <= end_s
    ]


def _tolerance(snapshot: Snapshot) -> float | None:
    tolerance = snapshot.numbers.tolerance
    return None if tolerance is None else tolerance.limit
