"""Speed and memory of reading tables as other programs write them, beside general-purpose readers.

The times are of the processor, of one process each, so that a busy machine hardly changes them:
ours gives exact decimals, dates and gaps; numpy.loadtxt and pyarrow.csv give doubles.

python -m pytest tests/benchmarks/test_speed_tables.py -s
"""

import gzip
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

ROWS = 1_000_000
BEGIN = np.datetime64("2031-05-04T00:00:00.500", "ms")

OURS = """
import sys, time
from benchwatch.recording import read_recording
stated = {"column": "frequency_hz", "interval_s": 1.0} if sys.argv[2] == "bare" else {}
begin = time.process_time()
recording = read_recording(sys.argv[1], offsets_only=True, **stated)
spent = time.process_time() - begin
peak = open("/proc/self/status").read().split("VmHWM:")[1].split()[0]
print(spent, len(recording), int(peak) >> 10)
"""
NUMPY = """
import sys, time
import numpy as np
begin = time.process_time()
rows = np.loadtxt(sys.argv[1], delimiter=",", skiprows=1)
spent = time.process_time() - begin
peak = open("/proc/self/status").read().split("VmHWM:")[1].split()[0]
print(spent, len(rows), int(peak) >> 10)
"""
ARROW = """
import sys, time
import pyarrow as pa
import pyarrow.csv
pa.set_cpu_count(1)
begin = time.process_time()
rows = pyarrow.csv.read_csv(sys.argv[1])
spent = time.process_time() - begin
peak = open("/proc/self/status").read().split("VmHWM:")[1].split()[0]
print(spent, len(rows), int(peak) >> 10)
"""


def offsets(rows: int) -> list[float]:
    """Return fractional offsets of a quiet oscillator."""
    return np.random.default_rng(2).normal(2e-9, 1e-10, rows).tolist()


def plain(rows: int) -> Iterator[str]:
    """Yield the lines of the table that needs no options."""
    yield "time_s,frequency_hz\n"
    for i, y in enumerate(offsets(rows)):
        yield f"{i},{1e7 * (1 + y):.4f}\n"


def dated(rows: int) -> Iterator[str]:
    """Yield a table with dates."""
    yield "time,frequency_hz\n"
    dates = np.datetime_as_string(BEGIN + np.arange(rows) * np.timedelta64(1000, "ms")).tolist()
    for date, y in zip(dates, offsets(rows), strict=True):
        yield f"{date}Z,{1e7 * (1 + y):.4f}\n"


def long_decimals(rows: int) -> Iterator[str]:
    """Yield offsets as programs write their doubles, with 15 to 17 digits."""
    yield "time_s,offset\n"
    for i, y in enumerate(offsets(rows)):
        yield f"{i},{y!r}\n"


def periods(rows: int) -> Iterator[str]:
    """Yield periods."""
    yield "time_s,period_s\n"
    for i, y in enumerate(offsets(rows)):
        yield f"{i},{1e-7 / (1 + y):.16e}\n"


def time_errors(rows: int) -> Iterator[str]:
    """Yield time errors."""
    yield "time_s,phase_s\n"
    for i, x in enumerate(np.cumsum(offsets(rows)).tolist()):
        yield f"{i},{x!r}\n"


def foreign(rows: int) -> Iterator[str]:
    """Yield a table with semicolons, decimal commas and quotation marks, and CR LF."""
    yield '"Time (s)";"Freq (MHz)"\r\n'
    for i, y in enumerate(offsets(rows)):
        yield f'"{i},5";"{10 * (1 + y):.10f}"\r\n'.replace(".", ",")


def aligned(rows: int) -> Iterator[str]:
    """Yield columns that are lined up by blanks, with a comment now and then."""
    yield "  Time (s)         Freq (Hz)\n"
    for i, y in enumerate(offsets(rows)):
        comment = "# a remark\n" if i % 1000 == 0 else ""
        yield f"{comment}{i:10d}  {1e7 * (1 + y):16.4f}\n"


def bare(rows: int) -> Iterator[str]:
    """Yield one column without a heading."""
    for y in offsets(rows):
        yield f"{1e7 * (1 + y):.4f}\n"


DIALECTS: dict[str, Callable[[int], Iterator[str]]] = {
    "plain": plain,
    "dated": dated,
    "long decimals": long_decimals,
    "periods": periods,
    "time errors": time_errors,
    "foreign": foreign,
    "aligned": aligned,
    "bare": bare,
}


def spent(script: str, path: Path, name: str) -> tuple[float, int, int]:
    """Return seconds of the processor, rows, and most memory in MB, of a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", script, str(path), name], capture_output=True, text=True, check=True
    )
    seconds, rows, memory_mb = done.stdout.split()
    return float(seconds), int(rows), int(memory_mb)


@pytest.mark.timeout(900)
@pytest.mark.parametrize("name", [*DIALECTS, "packed", "parquet"])
def test_a_million_rows(name: str, tmp_path: Path) -> None:
    """Print the time of the processor, and that of the general-purpose readers."""
    path = tmp_path / "long.csv"
    lines = DIALECTS.get(name, plain)(ROWS)
    if name == "packed":
        with gzip.open(path, "wt", compresslevel=1) as file:
            file.writelines(lines)
    elif name == "parquet":
        pa = pytest.importorskip("pyarrow")
        parquet = pytest.importorskip("pyarrow.parquet")
        hertz = [1e7 * (1 + y) for y in offsets(ROWS)]
        parquet.write_table(pa.table({"time_s": range(ROWS), "frequency_hz": hertz}), path)
    else:
        with path.open("w", encoding="ascii", newline="") as file:
            file.writelines(lines)

    seconds, rows, memory_mb = spent(OURS, path, name)

    text = f"\n{name}: {seconds:.2f} s, {memory_mb} MB"
    assert rows >= ROWS - 1
    if name in {"plain", "long decimals", "periods", "time errors"}:
        for other, script in (("numpy.loadtxt", NUMPY), ("pyarrow.csv", ARROW)):
            their_s, _, their_mb = spent(script, path, name)
            text += f"; {other} {their_s:.2f} s, {their_mb} MB, ratio {seconds / their_s:.2f}"
    print(text)
