"""Time and memory of a report, compared with reading the readings of its visit in the same run.

python -m pytest tests/benchmarks/test_speed_report.py -s
"""

import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from contents_kit import source_of
from report_kit import MadeVisit, good_visit, many_readings_visit

from benchwatch.measured_visit.visit_reader import read_measured_visit
from benchwatch.recording import Selection
from benchwatch.recording.file_reader import read_recording
from benchwatch.report.contents.report_document import report_document
from benchwatch.report.forms.form_list import FORMS

ROUNDS = 5
DAY, MANY = 86_400, 1_000_000
"""Readings of a day at one a second, and of eleven days and a half."""
HTML_LIMIT, PDF_LIMIT = 3.0, 5.0
"""Most times that of reading which the HTML may take, and most times that which the PDF may."""
MEMORY_LIMIT_MB, MORE_MB = 300, 20
"""Largest peak of a report of many readings, and how much more four times as many may take."""
PROGRAM = """
import re, sys
from pathlib import Path
from contents_kit import source_of
from report_kit import MadeVisit, MadeBench
from benchwatch.report.contents.report_document import report_document
from benchwatch.report.forms.form_list import FORMS
made = MadeVisit(bench=MadeBench(Path(sys.argv[1])), name=sys.argv[2])
page = FORMS[".html"].write(report_document(source_of(made)))
Path(sys.argv[1], "report.html").write_bytes(page)
print(re.search(r"VmHWM:\\s+(\\d+) kB", Path("/proc/self/status").read_text())[1])
"""


def seconds(work: Callable[[], object]) -> float:
    """Return the seconds that one call takes."""
    began_s = time.perf_counter()
    work()
    return time.perf_counter() - began_s


def steps_of(made: MadeVisit) -> dict[str, Callable[[], object]]:
    """Return what is timed; each begins with the files."""
    runs = Selection(tuple(run.key for run in made.visit.runs))
    return {
        "reading": lambda: read_recording(str(made.journal), offsets_only=True, selection=runs),
        "measured visit": lambda: read_measured_visit(made.visit, made.folder),
        "HTML": lambda: FORMS[".html"].write(report_document(source_of(made))),
        "PDF": lambda: FORMS[".pdf"].write(report_document(source_of(made))),
    }


def medians(made: MadeVisit, rounds: int) -> dict[str, float]:
    """Return the median seconds of each step, in alternating rounds after a first one."""
    steps = steps_of(made)
    spent: dict[str, list[float]] = {name: [] for name in steps}
    for number in range(rounds + 1):
        for name, work in steps.items():
            took_s = seconds(work)
            if number:
                spent[name].append(took_s)
    return {name: statistics.median(times) for name, times in spent.items()}


def told(what: str, spent: dict[str, float]) -> str:
    """Return the times of each step as a line."""
    times = ", ".join(f"{name} {took_s * 1e3:.0f} ms" for name, took_s in spent.items())
    html, pdf = spent["HTML"] / spent["reading"], spent["PDF"] / spent["HTML"]
    return f"\n{what}: {times}; HTML {html:.2f} times reading, PDF {pdf:.2f} times HTML"


@pytest.mark.timeout(600)
@pytest.mark.parametrize(("readings", "rounds"), [(DAY, ROUNDS), (MANY, 2)])
def test_a_report_takes_little_longer_than_reading(tmp_path: Path, readings: int, rounds: int):
    """The whole HTML at most 3 times the time of reading, the whole PDF at most 5 times that."""
    spent = medians(many_readings_visit(tmp_path, readings), rounds)
    print(told(f"{readings} readings", spent))

    assert spent["HTML"] <= HTML_LIMIT * spent["reading"]
    assert spent["PDF"] <= PDF_LIMIT * spent["HTML"]


def test_a_usual_visit(tmp_path: Path):
    """Of two thousand readings, for comparison: what a person waits for."""
    spent = medians(good_visit(tmp_path), ROUNDS)
    print(told("a usual visit", spent))

    assert spent["PDF"] <= PDF_LIMIT * spent["HTML"]


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the peak is read from /proc")
@pytest.mark.timeout(600)
def test_memory_of_many_readings_is_bounded(tmp_path: Path):
    """The peak of a process that makes the HTML: four times as many readings need no more."""
    peaks = {}
    for readings in (MANY // 100, MANY, 4 * MANY):
        folder = tmp_path / str(readings)
        folder.mkdir()
        made = many_readings_visit(folder, readings, spike_at=readings - 1000)
        ran = subprocess.run(
            [sys.executable, "-c", PROGRAM, str(folder), made.name],
            capture_output=True, text=True, check=True,
            env={"PYTHONPATH": ":".join(sys.path), "HOME": str(tmp_path), "PATH": ""},
        )  # fmt: skip
        peaks[readings] = int(ran.stdout) / 1024  # from kB
        assert (folder / "report.html").stat().st_size > 10_000
    print("\n" + ", ".join(f"{count} readings: {peak:.0f} MB" for count, peak in peaks.items()))

    assert peaks[MANY] <= MEMORY_LIMIT_MB
    assert peaks[4 * MANY] <= peaks[MANY] + MORE_MB
