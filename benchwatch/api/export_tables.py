"""The tables of exported recordings: CSV and Parquet, each into an open file."""

import json
import math
from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import BinaryIO, Final

import numpy as np

from benchwatch.api.export_lines import Written, ignored
from benchwatch.api.export_rows import chunks, value_column
from benchwatch.errors import UsageError
from benchwatch.estimate.array_types import FloatArray, IntArray
from benchwatch.quantity import printable
from benchwatch.recording import Recording
from benchwatch.system.installation import install_words

COLUMNS_AFTER: Final = ("fractional_offset", "gate_s", "flags", "correction")
"""Columns of a table after the times and the numbers."""
MOST_DECIMAL_DIGITS: Final = 38
"""Digits of a decimal of Parquet."""


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
        cells = zip(
            map(repr, chunk.time_s.tolist()),
            _dates(chunk.utc_us, len(chunk.text)),
            chunk.text,
            _cells(chunk.offset),
            _cells(chunk.gate_s),
            chunk.flags,
            _cells(chunk.correction),
            strict=True,
        )
        sink.write(_ascii("".join(f"{','.join(row)}\n" for row in cells)))
        written(len(chunk.text))


def write_parquet(
    recordings: Mapping[str, Recording], sink: BinaryIO, written: Written = ignored
) -> None:
    """Write the table of one recording as Parquet.

    Frequencies are decimals with the digits that the counter wrote, as the last of them is its
    resolution; doubles where the numbers have different digits after the point and a double keeps
    them all. Counter and nominal are in the metadata of the file, under the key ``benchwatch``.

    Raises:
        UsageError: the library that writes it is not installed, or the numbers have more digits
            than it can keep.
    """
    try:
        import pyarrow as pa  # noqa: PLC0415 - an extra
        import pyarrow.parquet as pq  # noqa: PLC0415 - an extra
    except ImportError as error:
        raise UsageError(
            "Parquet needs the library pyarrow, which is not installed: "
            f"{install_words('pyarrow')}, or export .csv or .jsonl."
        ) from error
    (recording,) = recordings.values()
    name = value_column(recording)
    exact = name == "frequency_hz" and (_is_uniform(recording) or not _fits_double(recording))
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
        metadata={"benchwatch": json.dumps(facts)},
    )
    with pq.ParquetWriter(sink, schema) as writer:
        for chunk in chunks(recording):
            read = Decimal if exact else float
            dates = None if chunk.utc_us is None else pa.array(chunk.utc_us)
            columns = [
                chunk.time_s,
                [None] * len(chunk.text) if dates is None else dates.cast(schema.field(1).type),
                [read(text) if text else None for text in chunk.text],
                _nulls(chunk.offset),
                _nulls(chunk.gate_s),
                chunk.flags,
                _nulls(chunk.correction),
            ]
            arrays = [
                column if isinstance(column, pa.Array) else pa.array(column, type=field.type)
                for column, field in zip(columns, schema, strict=True)
            ]
            writer.write_batch(pa.record_batch(arrays, schema=schema))
            written(len(chunk.text))


def _is_uniform(recording: Recording) -> bool:
    """Return whether all numbers have the same digits after the point, and few enough before."""
    decimals = {len(text.partition(".")[2]) for text in recording.text}
    longest = max(map(len, recording.text), default=0)
    plain = all(text.replace(".", "", 1).isdecimal() for text in recording.text)
    return plain and len(decimals) == 1 and 0 not in decimals and longest <= MOST_DECIMAL_DIGITS


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


def _dates(utc_us: IntArray | None, count: int) -> Iterable[str]:
    """Return Unix microseconds as ISO 8601; empty texts where there are none."""
    if utc_us is None:
        return [""] * count
    texts = np.datetime_as_string(utc_us.astype("datetime64[us]"), unit="us")
    return [f"{text}Z" for text in texts.tolist()]


def _cells(values: FloatArray) -> Iterable[str]:
    """Return numbers as text; empty texts for nan."""
    if np.isnan(values).all():
        return [""] * values.size
    return ["" if math.isnan(value) else repr(value) for value in values.tolist()]


def _nulls(values: FloatArray) -> list[float | None]:
    """Return numbers, with None for nan."""
    return [None if math.isnan(value) else value for value in values.tolist()]


def _ascii(text: str) -> bytes:
    return text.encode("ascii", "backslashreplace")
