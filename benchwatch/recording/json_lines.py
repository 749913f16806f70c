"""The JSON lines that Benchwatch writes, read back."""

import json
from collections.abc import Iterator, Mapping
from decimal import Context, Decimal, InvalidOperation
from typing import Final, NoReturn, get_args

from benchwatch.errors import FileError
from benchwatch.quantity import printable
from benchwatch.reading import OVERRANGE, SPIKE, Flag
from benchwatch.recording.record import Hole
from benchwatch.recording.rows import Rows, place, read_date, tell
from benchwatch.recording.text import Line

_FLAGS: Final[frozenset[Flag]] = frozenset(get_args(Flag))
_NOMINAL_DIGITS: Final = Context(prec=14)
"""The frequency of a line is a float of 15 to 16 digits; its offset in hertz is exact."""


def read_json_lines(source: str, lines: Iterator[Line]) -> list[Rows]:
    """Read the readings and gaps of each counter in the file, in the order of appearance.

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
        if kind not in {"reading", "gap"}:
            continue
        name = row.get("counter")
        if not isinstance(name, str) or not name:
            raise FileError(f"{where}: the {kind} names no counter. Remove the line.")
        rows = counters.setdefault(name, Rows(source, "frequency_hz", counter=name))
        if kind == "reading":
            _take_reading(rows, row, line.number, where)
        else:
            _take_gap(rows, row, where)
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
    frequency, offset_hz = tell(row, "frequency_hz"), tell(row, "offset_hz")
    if frequency is None and OVERRANGE not in flags:
        raise FileError(f"{where}: the reading has no frequency_hz. Mend or remove the line.")
    if frequency is not None and offset_hz is not None and rows.nominal is None:
        rows.nominal = _NOMINAL_DIGITS.subtract(frequency, offset_hz).normalize()
    if rows.epoch_s is None and isinstance(row.get("time"), str):
        rows.epoch_s = read_date(str(row["time"]), where).timestamp() - float(elapsed_s)
    if flags - {SPIKE}:
        rows.flags[len(rows.text)] = flags - {SPIKE}
    rows.line.append(number)
    rows.time.append(elapsed_s)
    rows.text.append("9.9E37" if frequency is None else str(frequency))
    gate_s = tell(row, "gate_s")
    rows.gate_s = rows.gate_s or []
    rows.gate_s.append(None if gate_s is None else float(gate_s))
    exact = frequency if offset_hz is None or rows.nominal is None else rows.nominal + offset_hz
    rows.exact = rows.exact or []
    rows.exact.append(Decimal("9.9E37") if exact is None else exact)


def _take_gap(rows: Rows, row: Mapping[str, object], where: str) -> None:
    begin_s, lasted_s = tell(row, "elapsed_s"), tell(row, "lasted_s")
    if begin_s is None or lasted_s is None:
        raise FileError(f"{where}: the gap has no elapsed_s or lasted_s. Remove the line.")
    reason = row.get("reason")
    rows.gaps.append(
        Hole(
            len(rows.text),
            float(begin_s),
            float(lasted_s),
            printable(reason, 200) if isinstance(reason, str) else "gap in the file",
        )
    )
