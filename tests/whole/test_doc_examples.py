"""The examples in the docs are what the program takes and writes."""

import json
import re
from dataclasses import replace
from pathlib import Path

import screen_kit
from pipeline_kit import reading

from benchwatch.bench.bench_file import read_bench
from benchwatch.estimate.results import Nudge, Rest
from benchwatch.line_output import json_line
from benchwatch_drivers.profile.profile_file import read_profile

DOCS = Path(__file__).parents[2] / "docs"


def example(page: str, heading: str, language: str) -> str:
    """Return the first block of `language` below `heading` in `page`."""
    below = (DOCS / page).read_text(encoding="utf-8").partition(f"{heading}\n")[2]
    found = re.search(rf"^```{language}\n(.*?)^```", below, re.MULTILINE | re.DOTALL)
    assert found is not None, heading
    return found[1]


def test_the_bench_file_is_read_as_it_stands() -> None:
    """The short one has two counters, and a reference as old as its date says."""
    text = example("bench.md", "## The bench file", "toml")

    bench = read_bench(text, "bench.toml", utc_s=1.95e9)

    assert [plan.name for plan in bench.counters] == ["ten", "five"]
    assert [plan.driver for plan in bench.counters] == ["scpi", "talk-only"]
    assert bench.reference is not None
    assert bench.reference.name == "station reference"


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
    shown = json.loads(example("lines.md", "# The JSON lines", "json"))
    numbers = replace(
        screen_kit.numbers(),
        confirmed_nudge=Nudge(9.5, -5.12e-9, 2.7e-10),
        rest=Rest(2.1e-9, 3e-10, 6.0),
    )

    written = json.loads(json_line(reading(1), numbers))

    assert set(shown) == set(written)
    for key, part in written.items():
        if isinstance(part, dict):
            assert list(shown[key]) == list(part), key
