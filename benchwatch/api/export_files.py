"""The forms of an exported recording: CSV, JSON lines and Parquet, each into an open file."""

import json
import math
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from decimal import Decimal
from typing import Any, BinaryIO, Final

from benchwatch.api.export_rows import chunks, corrected, value_column
from benchwatch.clock import iso_time
from benchwatch.errors import UsageError
from benchwatch.estimate.results import Numbers
from benchwatch.line_output import json_line
from benchwatch.quantity import printable
from benchwatch.reading import TOOL_WORDS, Event, Gap, Mark, Reading, Touch
from benchwatch.recording import Recording

COLUMNS_AFTER: Final = ("fractional_offset", "gate_s", "flags", "correction")
"""Columns of a table after the times and the numbers."""
MOST_DECIMAL_DIGITS: Final = 38
"""Digits of a decimal of Parquet."""
_encode: Final = json.JSONEncoder(allow_nan=False, separators=(",", ":")).encode
_UNKNOWN: Final = dict.fromkeys(("estimate", "drift", "nudge", "settle", "tolerance"))
"""Keys of the line of a reading that a watch computes: an export states what was read."""


Written = Callable[[int], None]
"""Is called with the number of rows that were written since its last call."""


def ignored(_rows: int) -> None:
    """Do nothing, where nobody wants to know how far the writing is."""


def write_csv(
    recordings: Mapping[str, Recording], sink: BinaryIO, written: Written = ignored
) -> None:
    """Write the table of one recording as CSV (RFC 4180, with line feeds).

    The first line is a comment: the counter and the nominal. Blank cells are not known.
    """
    (recording,) = recordings.values()
    nominal = "" if recording.nominal is None else f"; nominal {recording.nominal:f} Hz"
    sink.write(_ascii(f"# counter {printable(recording.name, 60)}{nominal}\n"))
    names = ("time_s", "time", value_column(recording), *COLUMNS_AFTER)
    sink.write(_ascii(",".join(names) + "\n"))
    for chunk in chunks(recording):
        lines = [
            f"{row.time_s!r},{'' if row.utc is None else _iso(row.utc)},{row.text},"
            f"{_cell(row.offset)},{_cell(row.gate_s)},{' '.join(row.flags)},"
            f"{_cell(row.correction)}\n"
            for row in chunk
        ]
        sink.write(_ascii("".join(lines)))
        written(len(chunk))


def write_json_lines(
    recordings: Mapping[str, Recording], sink: BinaryIO, written: Written = ignored
) -> None:
    """Write recordings as the JSON lines of a watch, one counter after the other.

    Estimates are null: an export states what was read, and `replay --json` computes them.
    """
    totals = [0, 0]
    for recording in recordings.values():
        for row, event in enumerate_readings(recording):
            if isinstance(event, Gap):
                totals[1] += 1
            elif isinstance(event, Reading):
                totals[0] += 1
                written(1)
            sink.write(_ascii(event_line(recording, row, event) + "\n"))
    end = {"kind": "end", "readings": totals[0], "gaps": totals[1], "reason": "exported"}
    sink.write(_ascii(_encode(end) + "\n"))


def enumerate_readings(recording: Recording) -> Iterator[tuple[int, Event]]:
    """Yield the events of a recording, each with the index of the next reading, or its own."""
    row = 0
    for event in recording.events():
        yield row, event
        row += isinstance(event, Reading)


def event_line(recording: Recording, row: int, event: Event) -> str:
    """Return the JSON line of an event, with times to their last digit.

    Args:
        recording: what the event is of.
        row: index of a reading.
        event: the event.
    """
    if isinstance(event, Touch):
        text = TOOL_WORDS[event.on]
        event = Mark(counter=event.counter, utc_s=event.utc_s, elapsed_s=event.elapsed_s, text=text)
    if isinstance(event, Reading):
        return _encode(_reading_values(recording, row, event))
    line = json.loads(json_line(event, Numbers()))
    line["elapsed_s"] = event.elapsed_s
    if isinstance(event, Gap):
        line["lasted_s"] = event.lasted_s
    return _encode(line)


def _reading_values(recording: Recording, row: int, reading: Reading) -> dict[str, Any]:
    of_frequency = recording.kind == "frequency_hz"
    correction, offset_hz = reading.correction, reading.offset_hz
    if correction is not None:
        offset_hz += correction * reading.frequency_hz
    values: dict[str, Any] = {
        "kind": "reading",
        "counter": reading.counter,
        "time": iso_time(reading.utc_s),
        "elapsed_s": reading.elapsed_s,
        "gate_s": reading.gate_s,
        "frequency_hz": _known(reading.frequency_hz) if of_frequency else None,
        "offset_hz": _known(offset_hz) if of_frequency else None,
        "offset": corrected(reading.offset, correction),
        **_UNKNOWN,
        "flags": sorted(recording.flags.get(row, ())),
        "text": reading.text if of_frequency else "",
        "correction": correction,
        "dial_hz": None,
        "rest": None,
        "not_on_disk": None,
    }
    return values | ({"time_base": "external"} if recording.time_base == "external" else {})


def write_parquet(
    recordings: Mapping[str, Recording], sink: BinaryIO, written: Written = ignored
) -> None:
    """Write the table of one recording as Parquet.

    Frequencies are doubles where each of them has no more digits than a double keeps, else
    decimals. Counter and nominal are in the metadata of the file, under the key ``benchwatch``.

    Raises:
        UsageError: the library that writes it is not installed, or the numbers have more digits
            than it can keep.
    """
    try:
        import pyarrow as pa  # noqa: PLC0415 - an extra
        import pyarrow.parquet as pq  # noqa: PLC0415 - an extra
    except ImportError as error:
        raise UsageError(
            "Parquet needs the library pyarrow, which is not installed: pip install "
            "'benchwatch[parquet]', or export .csv or .jsonl."
        ) from error
    (recording,) = recordings.values()
    name = value_column(recording)
    exact = name == "frequency_hz" and not _fits_double(recording)
    number = pa.decimal128(MOST_DECIMAL_DIGITS, _scale(recording)) if exact else pa.float64()
    facts = {
        "counter": printable(recording.name, 60),
        "nominal_hz": None if recording.nominal is None else f"{recording.nominal:f}",
    }
    schema = pa.schema(
        [
            ("time_s", pa.float64()),
            ("time", pa.timestamp("us", tz="UTC")),
            (name, number),
            ("fractional_offset", pa.float64()),
            ("gate_s", pa.float64()),
            ("flags", pa.string()),
            ("correction", pa.float64()),
        ],
        metadata={"benchwatch": _encode(facts)},
    )
    with pq.ParquetWriter(sink, schema) as writer:
        for chunk in chunks(recording):
            read = Decimal if exact else float
            columns = {
                "time_s": [row.time_s for row in chunk],
                "time": [row.utc for row in chunk],
                name: [read(row.text) if row.text else None for row in chunk],
                "fractional_offset": [row.offset for row in chunk],
                "gate_s": [row.gate_s for row in chunk],
                "flags": [" ".join(row.flags) for row in chunk],
                "correction": [row.correction for row in chunk],
            }
            arrays = [pa.array(columns[field.name], type=field.type) for field in schema]
            writer.write_batch(pa.record_batch(arrays, schema=schema))
            written(len(chunk))


def _fits_double(recording: Recording) -> bool:
    """Return whether a double keeps each number of a recording: its shortest decimals are it."""
    return all(Decimal(repr(float(text))) == Decimal(text) for text in recording.text)


def _scale(recording: Recording) -> int:
    """Return the decimals that the numbers of a recording need.

    Raises:
        UsageError: with them a number has more digits than Parquet keeps.
    """
    numbers = [Decimal(text) for text in recording.text if Decimal(text) < Decimal("9e37")]
    scale = max((-int(number.as_tuple().exponent) for number in numbers), default=0)
    whole = max((number.adjusted() + 1 for number in numbers), default=1)
    if max(scale, 0) + max(whole, 1) > MOST_DECIMAL_DIGITS:
        raise UsageError(
            f"the numbers have more than {MOST_DECIMAL_DIGITS} digits, which Parquet can't keep: "
            "export .csv or .jsonl."
        )
    return max(scale, 0)


def _iso(moment: datetime) -> str:
    return (moment.isoformat(timespec="microseconds")).replace("+00:00", "Z")


def _cell(value: float | None) -> str:
    return "" if value is None else repr(value)


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _ascii(text: str) -> bytes:
    return text.encode("ascii", "backslashreplace")
