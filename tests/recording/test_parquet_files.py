"""Parquet files: the same readings as of the table of text, and bad files give a sentence.

Outside: pyarrow and, independent of it, duckdb write the files.
"""

import contextlib
import json
import math
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchwatch.errors import BenchwatchError, FileError
from benchwatch.recording import Recording, read_recording
from benchwatch.system.installation import install_words

pa = pytest.importorskip("pyarrow")
pq = pytest.importorskip("pyarrow.parquet")

TEN_MHZ = Decimal(10_000_000)
BEGIN = datetime(2031, 5, 4, 10, 20, 30, 500_000, tzinfo=UTC)
ROWS = 70_000
"""More than are worked on at once."""


def write(folder: Path, **columns: Any) -> str:
    """Write a Parquet file and return its path."""
    path = folder / "run.parquet"
    pq.write_table(pa.table(columns), path)
    return str(path)


def read(path: str, **stated: Any) -> Recording:
    """Read the recording of a 10 MHz oscillator."""
    return read_recording(path, **({"nominal": TEN_MHZ} | stated))


def test_doubles_are_read_as_the_table_of_their_shortest_decimals(tmp_path: Path) -> None:
    """Offsets, hertz and texts are equal to the last bit."""
    values = 1e7 * (1 + np.random.default_rng(5).normal(0, 1e-9, ROWS))
    times = np.arange(ROWS) / 2
    table = tmp_path / "run.csv"
    rows = zip(times.tolist(), values.tolist(), strict=True)
    table.write_text("time_s,frequency_hz\n" + "".join(f"{t!r},{v!r}\n" for t, v in rows))

    text, parquet = (
        read(str(table)), read(write(tmp_path, time_s=times, frequency_hz=values))
    )  # fmt: skip

    np.testing.assert_array_equal(text.time_s, parquet.time_s)
    np.testing.assert_array_equal(text.offset, parquet.offset)
    np.testing.assert_array_equal(text.offset_hz, parquet.offset_hz)
    assert [float(one) for one in text.text] == [float(one) for one in parquet.text]


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
@pytest.mark.parametrize("zone", [None, "UTC", "Europe/Oslo"])
def test_times_are_read_in_every_unit(tmp_path: Path, unit: str, zone: str | None) -> None:
    """And those without a zone are taken as UTC, which is said."""
    moments = [BEGIN.replace(microsecond=0) + timedelta(seconds=i) for i in range(3)]
    naive = pa.array([m.replace(tzinfo=None) for m in moments], pa.timestamp(unit))
    times = naive if zone is None else naive.cast(pa.timestamp(unit, tz=zone))

    recording = read(write(tmp_path, timestamp=times, ppb=[1.0, 2.0, 3.0]))

    assert recording.time_s.tolist() == [0.0, 1.0, 2.0]
    assert recording.utc_start_s == moments[0].timestamp()
    assert any("without a zone" in note for note in recording.notes) == (zone is None)
    assert any("column 'ppb' as offset in ppb" in note for note in recording.notes)


@pytest.mark.parametrize(
    "cells",
    [
        pa.array(["1e-9", "-2.5e-10"]),
        pa.array(["1e-9", "-2.5e-10"]).dictionary_encode(),
        pa.array([Decimal("1e-9"), Decimal("-2.5e-10")], pa.decimal128(38, 20)),
        pa.array([1e-9, -2.5e-10]),
    ],
    ids=["text", "dictionary", "decimal", "double"],
)
def test_numbers_of_every_type_are_read(tmp_path: Path, cells: Any) -> None:
    """As long as they are numbers or their text."""
    recording = read(write(tmp_path, time_s=[0, 1], offset=cells))

    assert recording.offset.tolist() == [1e-9, -2.5e-10]


def test_missing_numbers_are_gaps_and_infinity_is_over_range(tmp_path: Path) -> None:
    """Null and nan as a blank cell, as in a table of text."""
    numbers = [10000000.1, None, math.nan, 10000000.2, math.inf]

    recording = read(write(tmp_path, time_s=[0.0, 1.0, 2.0, 3.0, 4.0], frequency_hz=numbers))

    assert recording.time_s.tolist() == [0.0, 3.0, 4.0]
    assert recording.offset_hz.tolist()[:2] == [0.1, 0.2]
    assert math.isnan(recording.offset_hz[2])
    assert len(recording.gaps) == 1


def test_dates_as_text_and_stated_columns(tmp_path: Path) -> None:
    """With headings that say nothing."""
    path = write(
        tmp_path, a=["2031-05-04T10:20:30.5Z", "2031-05-04 10:20:31.5"], b=[10.0000001, 10.0]
    )

    recording = read(path, time_column="a", value_column="2", column="offset")

    assert recording.utc_start_s == BEGIN.timestamp()
    assert recording.offset.tolist() == [10.0000001, 10.0]


def test_files_of_another_writer_are_read(tmp_path: Path) -> None:
    """DuckDB writes Parquet by itself."""
    duckdb = pytest.importorskip("duckdb")
    path = tmp_path / "run.parquet"
    with duckdb.connect() as database:
        database.execute(
            "COPY (SELECT TIMESTAMPTZ '2031-05-04 10:20:30.5Z' + to_seconds(i) AS time, "
            f"10 + i * 1e-9 AS \"freq (MHz)\" FROM range(100) t(i)) TO '{path}' (FORMAT parquet)"
        )

    recording = read(str(path))

    assert recording.utc_start_s == BEGIN.timestamp()
    np.testing.assert_allclose(recording.offset_hz, np.arange(100) * 1e-3, atol=1e-12)


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"time_s": [0.0, 1.0], "offset": [[1.0], [2.0]]}, "column offset is of the type list"),
        ({"time_s": [0.0, None], "offset": [1e-9, 1e-9]}, "row 2: the time is missing"),
        ({"time_s": [1.0, 0.0], "offset": [1e-9, 1e-9]}, "row 2: the time does not advance"),
        ({"time_s": [0.0, 1.0], "offset": ["1e-9", "\x1b[31mred"]}, "row 2: .* is no number"),
        ({"Date": ["04/05/2031", "05/05/2031"], "ppb": [1.0, 1.0]}, "row 1: .*the day and which"),
        ({"a": [1.0], "b": [2.0]}, "no header that is known"),
        ({"ppb": [1.0, 2.0]}, "has no times"),
        ({"time_s": [0.0, 1.0], "frequency_hz": [True, False]}, "is of the type bool"),
    ],
)
def test_a_file_that_is_none_of_readings_gets_a_sentence(
    tmp_path: Path, columns: dict[str, Any], words: str
) -> None:
    """With the row, and what to do."""
    with pytest.raises(FileError, match=words) as caught:
        read(write(tmp_path, **columns))

    assert str(caught.value).isprintable()
    assert str(caught.value).endswith(".")


@pytest.mark.parametrize("seed", range(20))
def test_a_damaged_file_gets_a_sentence(tmp_path: Path, seed: int) -> None:
    """Bytes changed at random, or the file cut: a sentence or a reading, never a traceback."""
    path = Path(write(tmp_path, time_s=list(range(500)), offset=[i * 1e-12 for i in range(500)]))
    rng = np.random.default_rng(seed)
    data = bytearray(path.read_bytes())
    if seed % 2:
        del data[int(rng.integers(4, len(data))) :]
    for at in rng.integers(4, len(data), 8).tolist() if len(data) > 4 else ():
        data[at] = int(rng.integers(0, 256))
    path.write_bytes(data)

    with contextlib.suppress(BenchwatchError):
        assert len(read(str(path))) > 0


def test_without_the_library_a_sentence_says_what_to_install(tmp_path: Path) -> None:
    """It is imported only when a Parquet file is read."""
    path = write(tmp_path, time_s=[0.0, 1.0], offset=[1e-9, 2e-9])
    script = (
        "import sys\nsys.modules['pyarrow'] = None\n"
        f"from benchwatch.cli import run\nsys.exit(run(['stability', {path!r}]))"
    )

    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)

    assert done.returncode == 2
    assert install_words("pyarrow") in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    "stated",
    [{"counter": "north", "nominal_hz": "10000000"}, {"counter": 5, "nominal_hz": "x"}, [1], "x"],
)
def test_counter_and_nominal_of_an_export_are_taken(tmp_path: Path, stated: Any) -> None:
    """From the metadata; anything else under that key is left alone."""
    path = tmp_path / "run.parquet"
    table = pa.table({"time_s": [0.0, 1.0], "offset": [1e-9, 2e-9]})
    pq.write_table(table.replace_schema_metadata({"benchwatch": json.dumps(stated)}), path)

    recording = read(str(path), nominal=None)

    good = isinstance(stated, dict) and stated["counter"] == "north"
    assert recording.counter == ("north" if good else None)
    assert recording.nominal == (TEN_MHZ if good else None)
