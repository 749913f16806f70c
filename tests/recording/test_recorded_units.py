"""Nominals, units and wraps of recorded files: a likely mistake is questioned, not corrected."""

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from program_kit import COMMAND
from recorded_kit import run_each, run_one, write
from seed_kit import unseen_seed

LEVEL, NOISE = 2.4e-9, 1e-10


def offsets(count: int, *, parts: float = 1.0) -> list[str]:
    """Return offsets of a quiet oscillator, written in this unit."""
    rng = np.random.default_rng(unseen_seed())
    return [f"{value:.6g}" for value in (LEVEL + rng.normal(0, NOISE, count)) * parts]


def table(column: str, cells: list[str]) -> str:
    """Return a table with a row a second."""
    return f"time_s,{column}\n" + "".join(f"{i},{cell}\n" for i, cell in enumerate(cells))


@pytest.mark.parametrize(
    ("parts", "unit", "column"),
    [
        (1e9, "ppb", "offset_ppb"),
        (1e6, "ppm", "offset_ppm"),
        (1e12, "parts in 10^12", "offset_1e-12"),
    ],
)
def test_fractions_that_are_far_too_large_are_questioned(
    tmp_path: Path, parts: float, unit: str, column: str
) -> None:
    """The sentence has the likely unit and the column's name for it, which is then read so."""
    cells = offsets(60, parts=parts)
    slip = write(tmp_path / "slip.csv", table("offset", cells))
    right = write(tmp_path / "right.csv", table(column, cells))

    taken, meant = run_each([["replay", "--json", slip], ["replay", "--json", right]])

    assert taken.code == meant.code == 0
    assert f"as if they were in {unit}" in taken.narration
    assert column in taken.narration
    assert [r["offset"] for r in taken.readings] == [float(cell) for cell in cells]
    assert meant.narration == ""
    assert [r["offset"] for r in meant.readings] == pytest.approx(
        [float(cell) / parts for cell in cells], rel=1e-15
    )


def test_fractions_of_any_oscillator_are_not_questioned(tmp_path: Path) -> None:
    """Up to 100 ppm: an oven that is cold is 10 ppm away (common practice, no source)."""
    path = write(tmp_path / "cold.csv", table("offset", ["1e-5", "9e-6", "8e-6", "7e-6"]))

    assert run_one("replay", "--json", path).narration == ""


def test_a_nominal_that_readings_miss_is_questioned(tmp_path: Path) -> None:
    """10.01 MHz was typed for an oscillator of 10 MHz; the numbers are relative to that."""
    path = write(tmp_path / "run.csv", table("frequency_hz", ["10000000.1", "10000000.2"] * 5))

    typed, near = run_each(
        [
            ["replay", "--json", "--nominal", "10.01MHz", path],
            ["replay", "--json", "--nominal", "10.0001MHz", path],
        ]
    )

    assert "miss the nominal of 10.01 MHz by 0.1 %. They fit 10 MHz: is the nominal right?" in (
        typed.narration
    )
    assert typed.readings[0]["offset_hz"] == -9999.9
    assert near.narration == ""


def test_a_nominal_that_a_counter_misses_is_questioned_live(tmp_path: Path) -> None:
    """For readings from a pipe; once, on standard error."""
    script = "import time\nfor n in range(8):\n print('10000000.1', flush=True); time.sleep(0.1)"
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE) as feed:
        watch = subprocess.run(
            [*COMMAND, "watch", "-", "--nominal", "10.005MHz",
             "--no-journal", "--json", "--count", "6"],
            stdin=feed.stdout, capture_output=True, text=True, timeout=60,
        )  # fmt: skip

    assert watch.returncode == 0, watch.stderr
    assert len(re.findall("They fit 10 MHz: is the nominal right", watch.stderr)) == 1


def wrapped_phase() -> tuple[list[str], list[float]]:
    """Return a time error that wraps after 100 ns, and the offsets without the wraps.

    2.4 ppb make 0.24 ns in 0.1 s; here it is 24 ns a row, so that it wraps every fourth.
    """
    rng = np.random.default_rng(unseen_seed())
    steps = 2.4e-9 + rng.normal(0, 1e-11, 200)
    phase = np.concatenate(([0.0], np.cumsum(steps)))
    return [f"{value:.15f}" for value in phase % 100e-9], steps.tolist()


def test_a_time_error_that_wraps_is_put_right_when_stated_and_else_said(tmp_path: Path) -> None:
    """With a stated period its steps are removed; else they stay, with a question."""
    cells, steps = wrapped_phase()
    path = write(tmp_path / "phase.csv", table("phase_s", cells))

    stated, unsaid = run_each(
        [["replay", "--json", "--wraps", "100ns", path], ["replay", "--json", path]]
    )

    read = [float(str(reading["offset"])) for reading in stated.readings]
    assert read == pytest.approx(steps, abs=2e-15)
    assert "taken as wraps" in stated.narration
    assert "--wraps 97" in unsaid.narration or "--wraps 98" in unsaid.narration


def test_a_time_error_that_wraps_is_put_right_in_a_comparison_too(tmp_path: Path) -> None:
    """Compared with a counter that reads the same signal 1 ppb higher, as fractions."""
    cells, steps = wrapped_phase()
    phase = write(tmp_path / "phase.csv", table("phase_s", cells))
    rows = "".join(f"{i + 0.5},{step + 1e-9!r}\n" for i, step in enumerate(steps))
    beside = write(tmp_path / "beside.csv", "time_s,offset\n" + rows)

    stated, unsaid = run_each(
        [["compare", "--json", *more, beside, phase] for more in (["--wraps", "100ns"], [])]
    )

    (row,) = [line for line in stated.lines if line["kind"] == "difference"]
    assert float(str(row["offset"])) == pytest.approx(1e-9, abs=1e-14)
    assert "taken as wraps" in stated.narration
    assert "--wraps 97" in unsaid.narration or "--wraps 98" in unsaid.narration


def test_a_time_error_runs_on_through_missing_rows(tmp_path: Path) -> None:
    """The row after a gap holds the change during it, so long averages are exact."""
    rng = np.random.default_rng(unseen_seed())
    phase = np.concatenate(([0.0], np.cumsum(1e-9 + rng.normal(0, 1e-11, 400))))
    rows = [f"{i},{value:.16f}\n" for i, value in enumerate(phase)]
    whole = write(tmp_path / "whole.csv", "time_s,phase_s\n" + "".join(rows))
    lost = write(tmp_path / "lost.csv", "time_s,phase_s\n" + "".join(rows[:203] + rows[206:]))
    command = ["stability", "--json", "--taus", "100s"]

    all_rows, fewer = run_each([[*command, whole], [*command, lost]])

    assert fewer.lines[0]["value"] == pytest.approx(all_rows.lines[0]["value"], rel=0.05)
