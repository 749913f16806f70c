"""The examples in the docs are what the program takes and writes."""

import json
import math
import re
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
import screen_kit
from line_schema_kit import held
from pipeline_kit import reading

from benchwatch.bench.bench_file import read_bench
from benchwatch.estimate.results import Nudge, Rest
from benchwatch.line_output import json_line
from benchwatch_drivers.profile.profile_file import read_profile

DOCS = Path(__file__).parents[2] / "docs"
README = "../README.md"


def example(page: str, heading: str, language: str) -> str:
    """Return the first block of `language` below `heading` in `page`."""
    below = (DOCS / page).read_text(encoding="utf-8").partition(f"{heading}\n")[2]
    found = re.search(rf"^```{language}\n(.*?)^```", below, re.MULTILINE | re.DOTALL)
    assert found is not None, heading
    return found[1]


def test_the_bench_file_is_read_as_it_stands() -> None:
    """The short one has two counters, and a reference as old as its date says, still good enough.

    It may age to a tenth of the tightest tolerance (common practice, no source) by today's date.
    """
    text = example("bench.md", "## The bench file", "toml")

    bench = read_bench(text, "bench.toml", utc_s=time.time())

    assert [plan.name for plan in bench.counters] == ["ten", "five"]
    assert [plan.driver for plan in bench.counters] == ["scpi", "talk-only"]
    assert bench.reference is not None
    assert bench.reference.name == "station reference"
    assert bench.reference.u is not None
    assert bench.reference.age_s is not None
    assert bench.reference.ageing_per_s is not None
    aged = bench.reference.ageing_per_s * bench.reference.age_s
    assert math.hypot(bench.reference.u, aged) < 0.1 * 5e-9


def test_the_profile_reads_its_own_example(tmp_path: Path) -> None:
    """The one that a newcomer copies is a whole profile; reading it checks its example."""
    file = tmp_path / "tide-house.toml"
    file.write_text(
        example("counters.md", "## Describe a counter of your own", "toml"), encoding="utf-8"
    )

    profile = read_profile(file)

    assert profile.name == "tide-house"


def test_the_line_has_the_keys_that_are_written() -> None:
    """Those of the reading, and of each of its parts."""
    shown = held(json.loads(example("lines.md", "# The JSON lines", "json")))
    numbers = replace(
        screen_kit.numbers(),
        confirmed_nudge=Nudge(9.5, -5.12e-9, 2.7e-10),
        rest=Rest(2.1e-9, 3e-10, 6.0),
    )

    written = held(json.loads(json_line(reading(1), numbers)))

    assert set(shown) == set(written)
    for key, part in written.items():
        if isinstance(part, dict):
            assert list(shown[key]) == list(part), key


def test_the_file_and_the_script_of_the_readme(tmp_path: Path) -> None:
    """The script reads a file like the one that is shown, and watches a simulated bench."""
    table = example(README, "## Your own file", "csv")
    rows = (f"{second},10000000.0{200 + second % 7}\n" for second in range(2, 40))
    (tmp_path / "old.csv").write_text(table + "".join(rows), encoding="utf-8")
    script = tmp_path / "script.py"
    script.write_text(example(README, "## Your own script", "python"), encoding="utf-8")

    done = subprocess.run(
        [sys.executable, script.name], cwd=tmp_path, capture_output=True, text=True, timeout=120
    )

    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert lines[0].startswith("40 readings, +2.0")
    assert any(line.startswith("oadev 1.0 ") for line in lines)
    assert any(line.startswith("mdev 1.0 ") for line in lines)
    watched = [line.split() for line in lines[-20:]]
    assert watched[0][1] == "None"
    assert float(watched[-1][0]) == pytest.approx(3.7e-8, abs=5e-9)
    assert 0 < float(watched[-1][1]) < 1e-9
