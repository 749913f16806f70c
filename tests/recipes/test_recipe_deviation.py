"""The recipe for a deviation, followed in a copy of the program."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from recipe_kit import ProgramCopy

KINDS = "benchwatch/estimate/stability/deviation_kinds.py"
AFTER = '    DeviationKind(\n        name="tdev",\n'
M = 4


def test_a_deviation_is_one_record(tmp_path: Path) -> None:
    """The command lists it in its help, computes it with limits, and prints it."""
    copy = ProgramCopy(tmp_path)
    offsets = np.random.default_rng(3).standard_normal(400) * 1e-9
    table = tmp_path / "run.csv"
    rows = "".join(f"{k},{y!r}\n" for k, y in enumerate(offsets.tolist()))
    table.write_text(f"time_s,offset\n{rows}")

    copy.edit(
        KINDS,
        AFTER,
        '    DeviationKind(\n        name="nmdev",\n'
        '        meaning="modified Allan deviation side by side",\n'
        "        overlapping=False,\n        modified=True,\n    ),\n"
        '    DeviationKind(\n        name="ttdev",\n        meaning="time deviation, total",\n'
        "        reflected=True,\n        time=True,\n    ),\n" + AFTER,
    )
    output = copy.program("stability", str(table), "--deviations", "nmdev,ttdev", "--taus", "4s")
    lines = copy.program(
        "stability", str(table), "--deviations", "all", "--taus", f"{M}s", "--json"
    ).stdout.splitlines()

    assert copy.touched == {KINDS}
    assert [row.split()[:2] for row in output.stdout.splitlines()[1:3]] == [
        ["nmdev", "4"],
        ["ttdev", "(s)"],
    ]
    assert "nmdev" in copy.program("stability", "--help").stdout
    found = {row["deviation"]: row for row in map(json.loads, lines)}
    assert found["nmdev"]["value"] == pytest.approx(_side_by_side(offsets), rel=1e-9)
    assert found["nmdev"]["low"] < found["nmdev"]["value"] < found["nmdev"]["high"]
    scale = M / math.sqrt(3.0)
    for key in ("value", "low", "high", "corrected"):
        assert found["ttdev"][key] == pytest.approx(scale * found["totdev"][key], rel=1e-12)


def _side_by_side(offsets: "np.ndarray[tuple[int], np.dtype[np.float64]]") -> float:
    """Return the modified Allan deviation from every `M`-th reading, by its definition."""
    phase = np.concatenate(([0.0], np.cumsum(offsets)))
    means = np.convolve(phase, np.ones(M) / M, mode="valid")
    second = (means[2 * M :] - 2.0 * means[M:-M] + means[: -2 * M])[::M]
    return float(np.sqrt(np.mean(second**2) / 2.0) / M)
