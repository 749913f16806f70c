"""The JSON lines that Benchwatch writes, read back."""

import json
from collections.abc import Iterator, Mapping
from decimal import Context, Decimal, InvalidOperation
from typing import Final, NoReturn, get_args

from benchwatch.errors import FileError
from benchwatch.quantity import printable
from benchwatch.reading import INTERNAL_TIMEBASE, OVERRANGE, Flag
from benchwatch.recording.record import Hole
from benchwatch.recording.rows import (
    Rows,
    check_size,
    check_time,
    is_number,
    place,
    read_date,
    tell,
)
from benchwatch.recording.text import Line

_FLAGS: Final[frozenset[Flag]] = frozenset(get_args(Flag))
_OVER: Final = "9.9E37"
_EXACT: Final = Context(prec=60)
_NOMINAL_DIGITS: Final = Context(prec=14)
"""The frequency of a line is a float of 15 to 16 digits; its offset in hertz is exact."""


def read_json_lines(source: str, lines: Iterator[Line]) -> list[Rows]:
    """Read the readings, gaps and marks of each counter in the file, in the order of appearance.

    Raises:
        FileError: a line is no JSON object, or a reading lacks what a reading has.
    """
    counters: dict[str, Rows] = {}
    notes: list[str] = []
    for line in lines:
        where = place(source, line.number)
        try:
            row = _decode(line.text, where)
        except FileError:
            if line.ended:
                raise
            notes.append(f"{where}: the last line is half written and left out.")
            continue
        kind = row.get("kind")
        if kind not in {"reading", "gap", "mark"}:
            continue
        told = row.get("counter")
        if not isinstance(told, str) or not told:
            raise FileError(f"{where}: the {kind} names no counter. Remove the line.")
        name = printable(told)
        rows = counters.setdefault(
            name, Rows(source, "frequency_hz", counter=name, tells_gaps=True)
        )
        if kind == "reading" and not rows.text and row.get("frequency_hz") is None:
            rows.kind = "frequency_hz" if tell(row, "offset") is None else "offset"
        if kind == "reading":
            _take_reading(rows, row, line.number, where)
        elif kind == "gap":
            _take_gap(rows, row, where)
        else:
            _take_mark(rows, row, where)
    for rows in counters.values():
        rows.notes.extend(notes)
    return [rows for rows in counters.values() if rows.text]


def _decode(text: str, where: str) -> Mapping[str, object]:
    try:
        row = json.loads(
            text, parse_float=Decimal, parse_int=Decimal, parse_constant=_refuse_constant
        )
    except (ValueError, RecursionError, InvalidOperation) as error:
        raise FileError(
            f"{where}: '{printable(text, 40)}' is no JSON object. Mend or remove the line."
        ) from error
    if not isinstance(row, dict):
        raise FileError(f"{where}: is JSON, but no object. Mend or remove the line.")
    return row


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(name)


def _take_reading(rows: Rows, row: Mapping[str, object], number: int, where: str) -> None:
    elapsed_s = tell(row, "elapsed_s")
    if elapsed_s is None:
        raise FileError(f"{where}: the reading has no elapsed_s. Mend or remove the line.")
    written = row.get("flags")
    flags = frozenset(flag for flag in _FLAGS if isinstance(written, list) and flag in written)
    correction = tell(row, "correction") or Decimal(0)
    if abs(correction) >= 1:
        raise FileError(f"{where}: a correction of {correction:.3g} is none. Mend the line.")
    if rows.kind == "offset":
        text, exact = _offset(row, correction)
    else:
        text, exact = _frequency(rows, row, correction)
    if text is None and OVERRANGE not in flags:
        raise FileError(f"{where}: the reading has no {rows.kind}. Mend or remove the line.")
    check_size(text, where, rows.kind)
    if rows.epoch_s is None and isinstance(row.get("time"), str):
        rows.epoch_s = read_date(str(row["time"]), where).timestamp() - float(elapsed_s)
    if flags:
        rows.flags[len(rows.text)] = flags
    if correction:
        rows.corrections[len(rows.text)] = float(correction)
    if row.get("time_base") == "external" or (correction and INTERNAL_TIMEBASE not in flags):
        rows.external = True
    gate_s = tell(row, "gate_s")
    rows.line.append(number)
    rows.time.append(check_time(elapsed_s, where))
    rows.text.append(text or _OVER)
    rows.gate_s = rows.gate_s or []
    rows.gate_s.append(None if gate_s is None else float(gate_s))
    rows.exact = rows.exact or []
    rows.exact.append(Decimal(_OVER) if exact is None else exact)


def _offset(row: Mapping[str, object], correction: Decimal) -> tuple[str | None, Decimal | None]:
    """Return the offset as it was read, before it was put right, as text and exactly."""
    offset = tell(row, "offset")
    if offset is None:
        return None, None
    if correction:
        offset = _EXACT.divide(offset - correction, 1 + correction)
    return str(offset), offset


def _frequency(
    rows: Rows, row: Mapping[str, object], correction: Decimal
) -> tuple[str | None, Decimal | None]:
    """Return the frequency as the counter wrote it, and exactly.

    The float of a line has lost digits that the counter's own text, or else the offset in
    hertz, still has. What put the offsets right is taken out again.
    """
    frequency, offset_hz, text = tell(row, "frequency_hz"), tell(row, "offset_hz"), row.get("text")
    if frequency is None:
        return None, None
    if isinstance(text, str) and is_number(text) and float(text) == float(frequency):
        written, frequency = True, Decimal(text)
    else:
        written, text = False, str(frequency)
    if offset_hz is not None and correction:
        # true = read·(1 + y) of the frequencies; what was added is y times the frequency read.
        offset_hz = _EXACT.subtract(offset_hz, _EXACT.multiply(correction, frequency))
    if offset_hz is None:
        return text, frequency
    if rows.nominal is None:
        rows.nominal = _NOMINAL_DIGITS.subtract(frequency, offset_hz).normalize()
    exact = frequency if written and correction else rows.nominal + offset_hz
    return text, exact


def _take_gap(rows: Rows, row: Mapping[str, object], where: str) -> None:
    begin_s, lasted_s = tell(row, "elapsed_s"), tell(row, "lasted_s")
    if begin_s is None or lasted_s is None:
        raise FileError(f"{where}: the gap has no elapsed_s or lasted_s. Remove the line.")
    check_time(begin_s, where)
    check_time(lasted_s, where)
    reason = row.get("reason")
    rows.gaps.append(
        Hole(
            len(rows.text),
            float(begin_s),
            float(lasted_s),
            printable(reason, 200) if isinstance(reason, str) else "gap in the file",
        )
    )


def _take_mark(rows: Rows, row: Mapping[str, object], where: str) -> None:
    at_s, text = tell(row, "elapsed_s"), row.get("text")
    if at_s is None or not isinstance(text, str):
        raise FileError(f"{where}: the mark has no elapsed_s or text. Remove the line.")
    check_time(at_s, where)
    rows.marks.append((len(rows.text), float(at_s), printable(text, 200)))
