"""Time to read a run from the central record, compared with reading it from its journal.

python -m pytest tests/benchmarks/test_speed_central_record.py -s
"""

import resource
import sqlite3
import statistics
import subprocess
import time
from contextlib import closing
from pathlib import Path

import pytest
from filled_record_kit import central_record
from program_kit import COMMAND

from benchwatch.journal import Journal
from benchwatch.recording import read_recording

READINGS = 100_000
ROUNDS = 3
REPLAY_LIMIT = 1.2
"""Most times the processor time of a replay from the journal that one from the record may take."""


def write_journal(path: Path) -> None:
    """Write a journal with one run of many readings, two a second."""
    Journal(path).close()
    with closing(sqlite3.connect(path)) as journal, journal:
        journal.execute(
            "INSERT INTO runs VALUES (7,7,'main','r','d',1935000000.0,'10000000','','external',"
            "NULL,'{}',NULL,'')"
        )
        journal.executemany(
            "INSERT INTO readings VALUES (7,?,?,?,0.5,?,0.0001,'')",
            (
                (n, 1_935_000_000.0 + n / 2, n / 2, f"10000000.{n * 7919 % 10_000:04d}")
                for n in range(1, READINGS + 1)
            ),
        )


def spent(*words: str) -> tuple[float, float]:
    """Return the seconds that a command takes, and those of its processor time."""
    before, began_s = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(
        [*COMMAND, *words], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=True
    )
    took_s, after = time.perf_counter() - began_s, resource.getrusage(resource.RUSAGE_CHILDREN)
    return took_s, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def reading_s(source: str) -> float:
    """Return the seconds that reading a recording takes."""
    began_s = time.perf_counter()
    assert len(read_recording(source)) == READINGS
    return time.perf_counter() - began_s


@pytest.mark.timeout(900)
def test_a_replay_from_the_record_takes_no_longer(tmp_path: Path) -> None:
    """As JSON lines, at most 1.2 times the processor time; reading alone is printed too."""
    journal = tmp_path / "journal.db"
    write_journal(journal)
    took: dict[str, list[tuple[float, float]]] = {"journal": [], "record": []}
    alone: dict[str, list[float]] = {"journal": [], "record": []}
    with central_record(mast_1=tmp_path) as database:
        sources = {"journal": str(journal), "record": database.url}
        for _ in range(ROUNDS):
            for name, source in sources.items():
                took[name].append(spent("replay", source, "--json"))
                alone[name].append(reading_s(source))
    medians = {
        name: tuple(map(statistics.median, zip(*times, strict=True)))
        for name, times in took.items()
    }
    for name, (took_s, cpu_s) in medians.items():
        read_s = statistics.median(alone[name])
        print(f"\n{name}: replay {took_s:.2f} s, {cpu_s:.2f} s of the processor; "
              f"reading alone {read_s:.2f} s")  # fmt: skip
    ratio = medians["record"][1] / medians["journal"][1]
    print(f"the record takes {ratio:.2f} times the processor time of the journal")

    assert ratio <= REPLAY_LIMIT
