"""Time and memory to export a million readings, beside general-purpose libraries.

python -m pytest tests/benchmarks/test_speed_export.py -s
"""

import resource
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from program_kit import COMMAND

ROWS = 1_000_000
LONGEST_S = {"csv": 6.0, "parquet": 8.0, "jsonl": 15.0}
"""Seconds of a processor for `ROWS` readings, those to read the file included."""
MOST_BYTES = 400_000_000

PLAIN = """
import sys
import numpy as np
rows = np.loadtxt(sys.argv[1], delimiter=",", skiprows=1)
np.savetxt(sys.argv[2], np.column_stack([rows, rows[:, 1] / 1e7 - 1]), delimiter=",", fmt="%r")
"""
"""The same table by numpy: the times, the frequencies and the fractional offsets."""


def seconds_of(words: list[str]) -> tuple[float, int]:
    """Return the seconds of a processor that a program takes, and the most bytes so far."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(words, check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    took_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return took_s, after.ru_maxrss * 1024


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a table with a reading a second of a quiet 10 MHz oscillator."""
    path = tmp_path_factory.mktemp("long") / "run.csv"
    values = 1e7 + np.random.default_rng(4).normal(0.024, 0.001, ROWS)
    with path.open("w", encoding="ascii") as file:
        file.write("time_s,frequency_hz\n")
        file.writelines(f"{i},{value:.4f}\n" for i, value in enumerate(values.tolist()))
    return path


@pytest.mark.parametrize("form", LONGEST_S)
def test_a_million_readings_are_exported_in_seconds(table: Path, form: str) -> None:
    """In bounded memory; printed beside numpy's own reader and writer of text."""
    if form == "parquet":
        pytest.importorskip("pyarrow")
    out = table.with_name(f"out.{form}")
    took_s, most_bytes = seconds_of([*COMMAND, "export", str(table), "--out", str(out)])
    line = f"{form}: {took_s:.2f} s of a processor, {most_bytes / 1e6:.0f} MB"
    if form == "csv":
        plain_s, _ = seconds_of([sys.executable, "-c", PLAIN, str(table), str(out) + ".plain"])
        line += f"; numpy reads and writes three columns in {plain_s:.2f} s"
        assert took_s < 3.0 * plain_s
    print(line)

    assert took_s < LONGEST_S[form]
    assert most_bytes < MOST_BYTES
