"""Reads the JSON lines that Benchwatch writes."""

import json
from collections.abc import Iterable, Iterator, Mapping
from decimal import Context, Decimal, InvalidOperation
from typing import Final, NoReturn

import numpy as np

from benchwatch.errors import FileError
from benchwatch.quantity import printable
from benchwatch.reading import (
    FLAGS,
    INTERNAL_TIMEBASE,
    OTHER_DIAL,
    OVERRANGE,
    PROVEN_TIMEBASE,
    Flag,
)
from benchwatch.recording.decimals import decimals_from_values
from benchwatch.recording.recorded_run import OperatorAction, RecordingGap
from benchwatch.recording.rows import (
    OVERRANGE_FROM,
    TOO_LARGE,
    CounterFacts,
    CounterRows,
    Rows,
    check_size,
    check_time,
    checked_gate,
    is_beyond,
    is_number,
    json_number,
    location,
    read_date,
    unix_seconds,
)
from benchwatch.recording.text_lines import TextLine

BATCH_LINES: Final = 1000
"""Lines that are passed on in one batch."""
LARGEST_EXPONENT: Final = 100_000
"""Largest power of ten in a number; numbers beyond it are refused."""
LARGEST_CORRECTION: Final = Decimal(1)
"""Fraction; no time base is that far off."""

_OVERRANGE_TEXT: Final = "9.9E37"
_EXACT: Final = Context(prec=60)
_NOMINAL_DIGITS: Final = Context(prec=14)
"""The frequency of a line is a float of 15 to 16 digits, so only 14 of the nominal are certain."""


def read_json_rows(source: str, lines: Iterable[TextLine]) -> Iterator[CounterRows]:
    """Read the readings, gaps and marks of all counters in the file, `BATCH_LINES` at a time.

    Args:
        source: name of the file, for messages.
        lines: the lines of the file that are neither empty nor comments.

    Raises:
        FileError: a line is no JSON object, or lacks a key that its kind needs.
    """
    counters: dict[str, _CounterLines] = {}
    waiting = 0
    for line in lines:
        where = location(source, line.number)
        try:
            row = _decode(line.text, where)
        except FileError:
            if line.ended:
                raise
            note = f"{where}: the last line is half written and left out."
            for taken in counters.values():
                taken.facts.notes.append(note)
            continue
        kind = row.get("kind")
        if not isinstance(kind, str) or kind not in {"reading", "gap", "mark"}:
            continue
        named = row.get("counter")
        if not isinstance(named, str) or not named:
            raise FileError(f"{where}: the {kind} names no counter. Remove the line.")
        name = printable(named)
        if name not in counters:
            facts = CounterFacts(
                source=source, kind="frequency_hz", counter=name, reports_gaps=True
            )
            counters[name] = _CounterLines(facts)
        counters[name].take(kind, row, line.number, where)
        waiting += 1
        if waiting == BATCH_LINES:
            waiting = 0
            yield [(taken.facts, taken.rows()) for taken in counters.values()]
    yield [(taken.facts, taken.rows()) for taken in counters.values()]


class _CounterLines:
    """The lines of one counter that have not been passed on yet."""

    def __init__(self, facts: CounterFacts) -> None:
        self.facts = facts
        self._begun = False
        self._line: list[int] = []
        self._time: list[Decimal] = []
        self._text: list[str] = []
        self._value: list[Decimal] = []
        self._gate_s: list[float] = []
        self._flags: dict[int, frozenset[Flag]] = {}
        self._corrections: dict[int, float] = {}
        self._gaps: list[RecordingGap] = []
        self._marks: list[tuple[int, float, OperatorAction]] = []

    def take(self, kind: str, row: Mapping[str, object], number: int, where: str) -> None:
        """Take one decoded line.

        Args:
            kind: ``reading``, ``gap`` or ``mark``.
            row: the decoded line.
            number: number of the line in the file.
            where: file and line, for messages.

        Raises:
            FileError: the line lacks a key, or a value is absurd.
        """
        written = row.get("flags")
        if isinstance(written, list) and OTHER_DIAL in written:
            return  # it belongs to no estimate of this nominal
        if kind == "gap":
            self._gaps.append(read_gap(row, len(self._line), where))
        elif kind == "mark":
            self._marks.append(read_mark(row, len(self._line), where))
        else:
            self._take_reading(row, number, where)

    def rows(self) -> Rows:
        """Return the rows taken since the last call."""
        value = decimals_from_values(self._value, list)
        texts, over = self._text, None
        value.texts = lambda: texts
        large = value.beyond(OVERRANGE_FROM)
        if large and self.facts.kind == "frequency_hz":
            over = np.zeros(len(value), dtype=bool)
            over[large] = True
        rows = Rows(
            line=np.array(self._line, dtype=np.int64),
            time_s=np.array(self._time, dtype=np.float64),
            value=value,
            over=over,
            gate_s=np.array(self._gate_s),
            flags=self._flags,
            corrections=self._corrections,
            gaps=self._gaps,
            marks=self._marks,
        )
        self._line, self._time, self._text, self._value, self._gate_s = [], [], [], [], []
        self._flags, self._corrections, self._gaps, self._marks = {}, {}, [], []
        return rows

    def _take_reading(self, row: Mapping[str, object], number: int, where: str) -> None:
        facts = self.facts
        if not self._begun and row.get("frequency_hz") is None:
            facts.kind = "frequency_hz" if json_number(row, "offset") is None else "offset"
        self._begun = True
        elapsed_s = json_number(row, "elapsed_s")
        if elapsed_s is None:
            raise FileError(f"{where}: the reading has no elapsed_s. Mend or remove the line.")
        check_time(elapsed_s, where)
        written = row.get("flags")
        flags = frozenset(flag for flag in FLAGS if isinstance(written, list) and flag in written)
        correction = json_number(row, "correction") or Decimal(0)
        if is_beyond(correction, LARGEST_CORRECTION):
            raise FileError(f"{where}: a correction of {correction:.3g} is none. Mend the line.")
        if facts.kind == "offset":
            text, exact = _offset(row, correction)
        else:
            text, exact = _frequency(facts, row, correction, where)
        if text is None and OVERRANGE not in flags:
            raise FileError(f"{where}: the reading has no {facts.kind}. Mend or remove the line.")
        check_size(text, where, facts.kind)
        if facts.epoch_s is None and isinstance(row.get("time"), str):
            moment = unix_seconds(read_date(str(row["time"]), where))
            facts.epoch_s = float(moment) - float(elapsed_s)
        at = len(self._line)
        if flags:
            self._flags[at] = flags
        if correction:
            self._corrections[at] = float(correction)
        if row.get("time_base") == "external" or (
            correction and flags.isdisjoint({INTERNAL_TIMEBASE, PROVEN_TIMEBASE})
        ):
            facts.external = True
        self._line.append(number)
        self._time.append(elapsed_s)
        self._text.append(text or _OVERRANGE_TEXT)
        self._gate_s.append(checked_gate(json_number(row, "gate_s")))
        self._value.append(Decimal(_OVERRANGE_TEXT) if exact is None else exact)


def _decode(text: str, where: str) -> Mapping[str, object]:
    try:
        row = json.loads(
            text, parse_float=_number, parse_int=_number, parse_constant=_refuse_constant
        )
    except (ValueError, RecursionError, InvalidOperation) as error:
        raise FileError(
            f"{where}: '{printable(text, 40)}' is no JSON object. Mend or remove the line."
        ) from error
    if not isinstance(row, dict):
        raise FileError(f"{where}: is JSON, but no object. Mend or remove the line.")
    return row


def _number(text: str) -> Decimal:
    value = Decimal(text)
    if abs(value.adjusted()) > LARGEST_EXPONENT:
        raise ValueError(text)
    return value


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(name)


def _offset(row: Mapping[str, object], correction: Decimal) -> tuple[str | None, Decimal | None]:
    """Return the offset before the time base's correction, as text and exactly; None if missing."""
    offset = json_number(row, "offset")
    if offset is None:
        return None, None
    if correction:
        offset = _EXACT.divide(offset - correction, 1 + correction)
    return str(offset), offset


def _frequency(
    facts: CounterFacts, row: Mapping[str, object], correction: Decimal, where: str
) -> tuple[str | None, Decimal | None]:
    """Return the frequency as the counter wrote it, and exactly; None if missing.

    ``frequency_hz`` is a float and has lost digits that the counter's own text, or else the offset
    in hertz, still has. The time base's correction of the offset is undone.
    """
    frequency, offset_hz, text = (
        json_number(row, "frequency_hz"),
        json_number(row, "offset_hz"),
        row.get("text"),
    )
    if frequency is None:
        return None, None
    check_size(str(frequency), where, "frequency_hz")
    if offset_hz is not None and is_beyond(offset_hz, TOO_LARGE):
        raise FileError(f"{where}: an offset_hz of {offset_hz:.3g} is none. Mend the line.")
    if isinstance(text, str) and is_number(text) and float(text) == float(frequency):
        written, frequency = True, Decimal(text)
    else:
        written, text = False, str(frequency)
    if offset_hz is not None and correction:
        # True frequency = frequency read · (1 + y): the correction added y times the one read.
        offset_hz = _EXACT.subtract(offset_hz, _EXACT.multiply(correction, frequency))
    if offset_hz is None:
        return text, frequency
    if facts.nominal is None:
        nominal = _NOMINAL_DIGITS.subtract(frequency, offset_hz).normalize()
        if nominal <= 0:
            raise FileError(f"{where}: frequency_hz less offset_hz is no frequency. Mend the line.")
        facts.nominal = nominal
    exact = frequency if written and correction else _EXACT.add(facts.nominal, offset_hz)
    return text, exact


def read_gap(row: Mapping[str, object], before: int, where: str) -> RecordingGap:
    """Read the gap in front of row `before` from a decoded line.

    Raises:
        FileError: a time is missing or absurd; the message begins with `where`.
    """
    begin_s, lasted_s = json_number(row, "elapsed_s"), json_number(row, "lasted_s")
    if begin_s is None or lasted_s is None:
        raise FileError(f"{where}: the gap has no elapsed_s or lasted_s. Remove the line.")
    check_time(begin_s, where)
    check_time(lasted_s, where)
    if lasted_s < 0:
        raise FileError(f"{where}: the gap lasted {lasted_s:.3g} s. Mend or remove the line.")
    reason = row.get("reason")
    words = printable(reason, 200) if isinstance(reason, str) else "gap in the file"
    return RecordingGap(
        before=before, begin_s=float(begin_s), lasted_s=float(lasted_s), reason=words
    )


def read_mark(row: Mapping[str, object], before: int, where: str) -> tuple[int, float, str]:
    """Read the mark in front of row `before` from a decoded line.

    Returns:
        `before`, seconds and text.

    Raises:
        FileError: time or text is missing, or the time is absurd; the message begins with `where`.
    """
    at_s, text = json_number(row, "elapsed_s"), row.get("text")
    if at_s is None or not isinstance(text, str):
        raise FileError(f"{where}: the mark has no elapsed_s or text. Remove the line.")
    return before, float(check_time(at_s, where)), printable(text, 200)
