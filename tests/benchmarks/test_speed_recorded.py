"""Time to the first reading of recorded files, and speed compared with general-purpose libraries.

python -m pytest tests/benchmarks/test_speed_recorded.py -s
"""

import resource
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from program_kit import COMMAND
from terminal_kit import Terminal

ROWS = 1_000_000
LONG = 10_000_000
AT_ONCE = 100_000
LINES = 20_000
"""Lines read after the first before the memory is measured."""

REFERENCE = """
import sys, time
import allantools
import numpy as np
begin = time.process_time()
rows = np.loadtxt(sys.argv[1], delimiter=",", skiprows=1)
offset = (rows[:, 1] - 1e7) / 1e7
allantools.oadev(offset, rate=1.0, data_type="freq", taus="octave")
"""


def frequencies(rows: int) -> Iterator[tuple[int, list[float]]]:
    """Yield readings of a quiet 10 MHz oscillator in portions, with the first one's number."""
    rng = np.random.default_rng()
    for start in range(0, rows, AT_ONCE):
        yield start, (1e7 + rng.normal(0.024, 0.001, min(AT_ONCE, rows - start))).tolist()


def write_table(path: Path, rows: int) -> Path:
    """Write a table with a reading a second."""
    with path.open("w", encoding="ascii") as file:
        file.write("time_s,frequency_hz\n")
        for start, values in frequencies(rows):
            file.write("".join(f"{start + i},{value:.4f}\n" for i, value in enumerate(values)))
    return path


def write_journal(path: Path, rows: int) -> Path:
    """Write a journal of one long watch, with the plain SQLite of Python."""
    connection = sqlite3.connect(path)
    connection.executescript("""
        PRAGMA application_id = 1115114033;
        PRAGMA user_version = 2;
        PRAGMA journal_mode = WAL;
        CREATE TABLE runs (run INTEGER PRIMARY KEY, watch, counter, resource, driver,
            started_utc_s, nominal_hz, identity, time_base, gate_s, settings, ended_utc_s,
            end_reason);
        CREATE TABLE readings (run, number, utc_s, elapsed_s, gate_s, text, resolution_hz, flags,
            PRIMARY KEY (run, number)) WITHOUT ROWID;
        CREATE TABLE gaps (run, number, utc_s, elapsed_s, lasted_s, reason);
        CREATE TABLE marks (run, number, utc_s, elapsed_s, text);
        CREATE TABLE records (run, number, utc_s, elapsed_s, kind, document);
        INSERT INTO runs VALUES (17, 5, 'main', 'x', 'scpi', 2e9, '10000000', '', 'external', 1.0,
            '{}', NULL, '');
    """)
    for start, values in frequencies(rows):
        connection.executemany(
            "INSERT INTO readings VALUES (17, ?, ?, ?, 1.0, ?, 1e-4, '')",
            [(start + i, 2e9 + start + i, float(start + i), f"{value:.4f}")
             for i, value in enumerate(values)],
        )  # fmt: skip
    connection.commit()
    connection.close()
    return path


def spent(command: list[str]) -> tuple[float, float, int]:
    """Run a command to its end; return real seconds, processor seconds, and most memory in MB."""
    begin_s, before = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN)
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as child:
        peak = 0
        while child.poll() is None:
            peak = max(peak, resident_mb(child.pid))
            time.sleep(0.02)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    user_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    assert child.returncode == 0
    return time.monotonic() - begin_s, user_s, peak


def resident_mb(pid: int) -> int:
    """Return the resident memory of a process in MB; 0 when it has ended."""
    try:
        pages = int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])
    except (OSError, IndexError):
        return 0
    return pages * resource.getpagesize() >> 20


@pytest.mark.parametrize("form", ["table", "journal"])
@pytest.mark.timeout(600)
def test_the_first_reading_of_a_million(form: str, tmp_path: Path) -> None:
    """Print the time to the first line, for a million rows and for two, and the memory."""
    write = write_table if form == "table" else write_journal
    long, short = write(tmp_path / "long", ROWS), write(tmp_path / "short", 2)
    waits = {}
    for path in (short, long):
        begin_s = time.monotonic()
        with subprocess.Popen(
            [*COMMAND, "replay", "--json", str(path)],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        ) as child:  # fmt: skip
            assert child.stdout is not None
            child.stdout.readline()
            waits[path] = time.monotonic() - begin_s
            for _ in zip(range(LINES), child.stdout, strict=False):
                pass
            memory_mb = resident_mb(child.pid)
            child.kill()

    print(
        f"\n{form}: first reading of {ROWS} after {waits[long]:.2f} s, of two after "
        f"{waits[short]:.2f} s; {memory_mb} MB after {LINES} readings"
    )


@pytest.mark.parametrize("form", ["table", "journal"])
@pytest.mark.timeout(600)
def test_the_screen_of_a_million(form: str, tmp_path: Path) -> None:
    """Print the time to the first picture, for a million rows and for two, and the memory."""
    write = write_table if form == "table" else write_journal
    waits, memory_mb = {}, 0
    for path in (write(tmp_path / "short", 2), write(tmp_path / "long", ROWS)):
        begin_s = time.monotonic()
        terminal = Terminal([*COMMAND, "replay", str(path)], tmp_path)
        try:
            terminal.wait_for("recording ")
            waits[path.name] = time.monotonic() - begin_s
            terminal.wait_until(lambda rows: not any("more than" in row for row in rows), 300)
            memory_mb, whole_s = resident_mb(terminal.child.pid), time.monotonic() - begin_s
        finally:
            terminal.close()

    print(
        f"\n{form}: screen of {ROWS} after {waits['long']:.2f} s, of two after "
        f"{waits['short']:.2f} s; its end known after {whole_s:.1f} s; {memory_mb} MB then"
    )


@pytest.mark.timeout(900)
def test_the_stability_of_ten_million(tmp_path: Path) -> None:
    """Print time and memory compared with those of numpy.loadtxt and allantools."""
    path = write_table(tmp_path / "long.csv", LONG)

    ours = spent([*COMMAND, "stability", str(path)])
    theirs = spent([sys.executable, "-c", REFERENCE, str(path)])

    print(
        f"\nstability of {LONG} rows: {ours[0]:.1f} s, {ours[1]:.1f} s of the processor, "
        f"{ours[2]} MB; numpy.loadtxt and allantools {theirs[0]:.1f} s, {theirs[1]:.1f} s, "
        f"{theirs[2]} MB; ratio {ours[1] / theirs[1]:.2f}"
    )


@pytest.mark.timeout(900)
def test_the_stability_of_a_journal_of_a_million(tmp_path: Path) -> None:
    """Print time and memory from the journal's file to the deviations."""
    path = write_journal(tmp_path / "long.db", ROWS)

    clock_s, processor_s, memory_mb = spent([*COMMAND, "stability", str(path)])

    print(f"\njournal of {ROWS}: {clock_s:.1f} s, {processor_s:.1f} s of the processor, "
          f"{memory_mb} MB")  # fmt: skip
