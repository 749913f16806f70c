"""Writes one line for each event: for people (plain) or for programs (JSON).

The line of a suspect reading is held back until the next reading shows whether it is a spike. The
line of a spike has the flag ``spike``, and the estimate from before the spike.
"""

import json
import math
from dataclasses import dataclass, replace
from typing import Any, Final, Protocol, TextIO

from benchwatch.clock import iso_time
from benchwatch.errors import FileError
from benchwatch.estimate.dial_check_record import DialCheck
from benchwatch.estimate.results import Numbers
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.pipeline.dial_check_words import check_words
from benchwatch.pipeline.time_base_correction import correction_words
from benchwatch.quantity import (
    OffsetUnit,
    format_duration,
    how_many,
    offset_unit,
    printable,
    write_fraction,
    write_hz,
)
from benchwatch.reading import (
    NO_MEASUREMENT,
    SPIKE,
    TOOL_WORDS,
    CheckMade,
    Event,
    Flag,
    Gap,
    Mark,
    Reading,
    Record,
    Touch,
)
from benchwatch.snapshot import ComparisonNow

_encode: Final = json.JSONEncoder(allow_nan=False, separators=(",", ":")).encode
_SPIKE: Final[frozenset[Flag]] = frozenset({SPIKE})


LineEvent = Reading | Gap | Mark | Record | CheckMade
"""Events that are written as they are; a `Touch` is written as a mark."""


@dataclass(frozen=True, slots=True)
class EndOfRun:
    """The last line: the totals of the run and why the run ended."""

    readings: int
    gaps: int
    reason: str


Written = LineEvent | ComparisonNow | EndOfRun
"""All that a line is written of."""


class LineWriter(Protocol):
    """Writes an event, and the numbers after it, as one line without a line ending."""

    def __call__(self, event: Written, numbers: Numbers, not_on_disk: int | None = None, /) -> str:
        """Return one line.

        Args:
            event: the event.
            numbers: the numbers after the event.
            not_on_disk: how many events wait for the journal; None: there is no journal.
        """
        ...


class LineOutput:
    """Writes the lines of a run, each as soon as it is final.

    Errors of the stream (such as BrokenPipeError) are not caught.

    Args:
        stream: stream to write to.
        write: makes a line of an event.
    """

    def __init__(self, stream: TextIO, write: LineWriter) -> None:
        self._stream = stream
        self._write = write
        self._has_plus_minus = _can_write("±", stream)
        self._held: dict[str, list[tuple[Reading, Numbers, int | None]]] = {}
        self._before: dict[str, Numbers] = {}

    def event(self, event: Event, numbers: Numbers, not_on_disk: int | None = None) -> None:
        """Write an event, or hold it back if it is a suspect reading.

        Args:
            event: the event.
            numbers: the numbers after the event.
            not_on_disk: how many events wait for the journal; None: there is no journal.
        """
        name = event.counter
        if isinstance(event, Touch):
            event = Mark(
                counter=name,
                utc_s=event.utc_s,
                elapsed_s=event.elapsed_s,
                text=TOOL_WORDS[event.on],
            )
        if isinstance(event, Mark | Record | CheckMade):
            self._put(event, numbers, not_on_disk)
            return
        held = self._held.get(name)
        if isinstance(event, Reading):
            measures = event.flags.isdisjoint(NO_MEASUREMENT)
            if held and not measures:
                held.append((event, numbers, not_on_disk))
                return
            if held:
                self._release(name, numbers.spike_at_s)
            if measures and numbers.suspect:
                self._held[name] = [(event, numbers, not_on_disk)]
                return
        elif held:
            self._release(name, None)
        self._put(event, numbers, not_on_disk)
        self._before[name] = numbers

    def comparison(self, now: ComparisonNow) -> None:
        """Write what a comparison of counters says."""
        self._put(now, Numbers())

    def end(self, end: EndOfRun) -> None:
        """Write the lines held back, and the last line."""
        for name in list(self._held):
            self._release(name, None)
        self._put(end, Numbers())
        self.flush()

    def flush(self) -> None:
        """Flush the stream."""
        self._stream.flush()

    def _put(self, event: Written, numbers: Numbers, not_on_disk: int | None = None) -> None:
        line = self._write(event, numbers, not_on_disk)
        if not self._has_plus_minus:
            line = line.replace("±", "+/-")
        self._stream.write(line + "\n")

    def _release(self, name: str, spike_at_s: float | None) -> None:
        """Write the lines held back; the first reading is a spike if its time is `spike_at_s`."""
        held = self._held.pop(name)
        is_spike = held[0][0].elapsed_s == spike_at_s
        for reading, numbers, not_on_disk in held:
            if is_spike:
                before = replace(self._before.get(name, Numbers()), confirmed_nudge=None)
                first = reading is held[0][0]
                flags = reading.flags | _SPIKE if first else reading.flags
                self._put(replace(reading, flags=flags), before, not_on_disk)
            else:
                self._put(reading, numbers, not_on_disk)
                self._before[name] = numbers


def _can_write(text: str, stream: TextIO) -> bool:
    """Return whether the encoding of `stream` (by default UTF-8) has the characters of `text`."""
    try:
        text.encode(getattr(stream, "encoding", None) or "utf-8")
    except UnicodeEncodeError:
        return False
    return True


# ------------------------------------------------------------- for programs


def json_line(event: Written, numbers: Numbers, not_on_disk: int | None = None, /) -> str:
    """Return one line of strict JSON, as `LineWriter`; unknown values are null."""
    if isinstance(event, Reading):
        return _encode(_reading(event, numbers) | {"not_on_disk": not_on_disk})
    if isinstance(event, EndOfRun):
        return _encode(
            {"kind": "end", "readings": event.readings, "gaps": event.gaps, "reason": event.reason}
        )
    if isinstance(event, ComparisonNow):
        return _encode(_comparison(event))
    line: dict[str, Any] = {
        "kind": "check" if isinstance(event, CheckMade) else type(event).__name__.lower(),
        "counter": event.counter,
        "time": iso_time(event.utc_s),
        "elapsed_s": _seconds(event.elapsed_s),
    }
    if isinstance(event, Gap):
        line |= {"lasted_s": _seconds(event.lasted_s), "reason": event.reason}
    elif isinstance(event, Mark):
        line["text"] = event.text
    elif isinstance(event, CheckMade):
        check = DialCheck.from_dict(json.loads(event.document))
        line |= check.as_dict() | {"text": check_words(check)}
    else:
        line["record"] = json.loads(event.document)
    return _encode(line)


def _comparison(now: ComparisonNow) -> dict[str, Any]:
    nothing: dict[str, Any] = {
        "agree": None,
        "pairs": [],
        "time_bases": {},
        "claims": [],
        "own": [],
    }
    return {
        "kind": "comparison",
        "counters": list(now.counters),
        "time": iso_time(now.utc_s),
        "elapsed_s": _seconds(now.elapsed_s),
        **(nothing if now.result is None else now.result.as_dict()),
        "text": list(now.sentences),
        "waits": now.waits or None,
        "recorded": now.recorded_s is not None,
    }


def _reading(reading: Reading, numbers: Numbers) -> dict[str, Any]:
    estimate, drift, nudge = numbers.estimate, numbers.drift, numbers.confirmed_nudge
    settle, tolerance, rest = numbers.settle, numbers.tolerance, numbers.rest
    return {
        "kind": "reading",
        "counter": reading.counter,
        "time": iso_time(reading.utc_s),
        "elapsed_s": _seconds(reading.elapsed_s),
        "gate_s": _known(reading.gate_s),
        "frequency_hz": _known(reading.frequency_hz),
        "offset_hz": _known(reading.offset_hz),
        "offset": _known(reading.offset),
        "estimate": estimate
        and {
            "offset": _known(estimate.offset),
            "u": _known(estimate.u),
            "readings": estimate.readings,
            "span_s": _seconds(estimate.span_s),
        },
        "drift": drift
        and {
            "per_s": _known(drift.per_s),
            "u": _known(drift.u),
            "span_s": _seconds(drift.span_s),
        },
        "nudge": nudge
        and {"at_s": _seconds(nudge.at_s), "size": _known(nudge.size), "u": _known(nudge.u)},
        "settle": settle
        and {
            "state": settle.state,
            "since_s": _seconds(settle.since_s),
            "eta_s": _seconds(settle.eta_s),
            "eta_low_s": _seconds(settle.eta_low_s),
            "eta_high_s": _seconds(settle.eta_high_s),
            "reason": settle.reason,
            "cycle": settle.cycle
            and {
                "period_s": _seconds(settle.cycle.period_s),
                "period_u": _seconds(settle.cycle.period_u),
                "swing": _known(settle.cycle.swing),
                "swing_u": _known(settle.cycle.swing_u),
            },
            "held": settle.held
            and {
                "first_s": _seconds(settle.held.first_s),
                "held_s": _seconds(settle.held.held_s),
                "worst": _known(settle.held.worst),
                "worst_s": _seconds(settle.held.worst_s),
                "gaps": settle.held.gaps,
                "gaps_s": _seconds(settle.held.gaps_s),
            },
        },
        "tolerance": tolerance and {"limit": tolerance.limit, "inside": tolerance.inside},
        "flags": sorted(reading.flags),
        "text": reading.text,
        "correction": _known(reading.correction),
        "dial_hz": reading.dial_hz,
        "rest": rest
        and {
            "offset": _known(rest.offset),
            "u": _known(rest.u),
            "in_s": _seconds(rest.in_s),
        },
    }


def _known(value: float | None) -> float | None:
    """Return a finite value; None for any other."""
    return value if value is not None and math.isfinite(value) else None


def _seconds(value: float | None) -> float | None:
    """Round a time to a microsecond, as finer digits are noise; None if it is unknown."""
    return round(value, 6) if value is not None and math.isfinite(value) else None


# ------------------------------------------------------------- for people


class PlainWriter:
    """Writes lines for people; a counter's unit changes only when the offset no longer fits it."""

    def __init__(self) -> None:
        self._units: dict[str, OffsetUnit] = {}

    def __call__(self, event: Written, numbers: Numbers, not_on_disk: int | None = None, /) -> str:
        """Return one line."""
        if isinstance(event, EndOfRun):
            readings = how_many(event.readings, "reading")
            return f"end: {event.reason}; {readings}, {how_many(event.gaps, 'gap')}"
        if isinstance(event, ComparisonNow):
            said = " ".join(event.sentences) or event.waits or "nothing to compare yet"
            names = ", ".join(map(printable, event.counters))
            return f"{_clock_time(event)}  {names}  comparison: {printable(said, 2000)}"
        start = f"{_clock_time(event)}  {printable(event.counter)}"
        if isinstance(event, Gap):
            lasted = format_duration(event.lasted_s)
            return f"{start}  gap of {lasted}: {printable(event.reason, 200)}"
        if isinstance(event, Mark | CheckMade):
            return f"{start}  {_said(event)}"
        if isinstance(event, Record):
            return f"{start}  put on record {printable(event.kind)}{self._recorded(event)}"
        waits = [f"(not on disk: {not_on_disk})"] if not_on_disk else []
        return "  ".join([start, *self._values(event, numbers), *sorted(event.flags), *waits])

    def _recorded(self, event: Record) -> str:
        """Return the offset of a record and its cautions; nothing if it can't be read."""
        try:
            record = OffsetRecord.from_dict(json.loads(event.document))
        except (FileError, ValueError):
            return ""
        value = write_fraction(record.offset, record.u, self._units.get(event.counter))
        caution = printable(record.caution, 200)
        return f" {value}" + (f"; caution: {caution}" if caution else "")

    def _values(self, reading: Reading, numbers: Numbers) -> list[str]:
        """Return the pieces of a reading's line: the reading, the numbers, the states."""
        words = [f"reading {printable(reading.text) or '-'} Hz"]
        if math.isfinite(reading.offset_hz):
            words.append(f"{_signed_hz(reading)} Hz")
        estimate = numbers.estimate
        if estimate is not None:
            unit = offset_unit(estimate.offset, self._units.get(reading.counter))
            self._units[reading.counter] = unit
            value = write_fraction(estimate.offset, estimate.u, unit)
            words.append(f"estimate {value} ({how_many(estimate.readings, 'reading')})")
        nudge = numbers.confirmed_nudge
        if nudge is not None:
            size = write_fraction(nudge.size, nudge.u, self._units.get(reading.counter))
            words.append(f"nudge {size}")
        if numbers.rest is not None:
            rest = numbers.rest
            where = write_fraction(rest.offset, rest.u, self._units.get(reading.counter))
            words.append(f"will rest at {where}")
        if numbers.settle is not None:
            words.append(numbers.settle.state)
        if numbers.tolerance is not None:
            words.append("inside" if numbers.tolerance.inside else "outside")
        if reading.correction is not None:
            words.append(f"({correction_words(reading)})")
        return words


def _said(event: Mark | CheckMade) -> str:
    """Return a mark, or a check as a sentence; nothing of a check that can't be read."""
    if isinstance(event, Mark):
        return f"mark: {printable(event.text, 200)}"
    return f"check {check_words(DialCheck.from_dict(json.loads(event.document)))}"


def _signed_hz(reading: Reading) -> str:
    """Write the reading's offset in hertz with as many decimals as the counter wrote."""
    if reading.resolution_hz > 0:
        decimals = min(12, max(0, -math.floor(math.log10(reading.resolution_hz) + 1e-9)))
        return f"{reading.offset_hz:+.{decimals}f}"
    return write_hz(reading.offset_hz).digits


def _clock_time(event: LineEvent | ComparisonNow) -> str:
    """Return the time in UTC; seconds of the run if it is unknown."""
    stamp = iso_time(event.utc_s)
    return f"{event.elapsed_s:.3f} s" if stamp is None else stamp
