"""``benchwatch compare``: its claims about time bases never contradict the recordings."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from benchwatch.commands.compare import compare

FAST = 5e-9


def written(
    folder: Path, name: str, *, off: float = 0.0, own: tuple[int, int] = (0, 0), external: bool
) -> str:
    """Write 400 JSON lines of one counter, readings `own` with the flag of its own oscillator."""
    random = np.random.default_rng(len(name))
    lines = []
    for k in range(400):
        offset = 2e-9 - off + float(random.normal(0.0, 1e-10))
        line: dict[str, Any] = {
            "kind": "reading", "counter": name, "elapsed_s": float(k), "gate_s": 1.0,
            "time": f"2031-05-04T10:{k // 60:02d}:{k % 60:02d}Z",
            "frequency_hz": 1e7 * (1 + offset), "offset_hz": offset * 1e7, "offset": offset,
            "flags": ["internal-timebase"] if own[0] <= k < own[1] else [],
        }  # fmt: skip
        if external:
            line["correction"] = 1e-15
        lines.append(json.dumps(line))
    path = folder / f"{name}.jsonl"
    path.write_text("\n".join(lines) + "\n")
    return str(path)


def printed(*arguments: str) -> str:
    """Run the command and return what it prints for people."""
    result = CliRunner().invoke(compare, list(arguments), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.stdout


def lines_of(*arguments: str) -> list[dict[str, Any]]:
    """Run the command with ``--json``."""
    return [json.loads(line) for line in printed(*arguments, "--json").splitlines()]


def test_reference_on_its_own_oscillator(tmp_path: Path) -> None:
    """A counter that ran on its own oscillator is no reference, whatever is typed."""
    files = [
        written(tmp_path, "main", own=(0, 400), external=False),
        written(tmp_path, "spare", off=FAST, own=(0, 400), external=False),
    ]

    text, lines = printed(*files, "--reference", "main"), lines_of(*files, "--reference", "main")

    assert "main is named as the one on the reference" in text
    assert "ran on its own oscillator" in text
    assert "its time base is off by" not in text
    assert [line["kind"] for line in lines] == ["difference", "note"]
    assert lines[0]["first_time_base"] == lines[0]["second_time_base"] == "internal"


def test_both_on_their_own(tmp_path: Path) -> None:
    """Without a reference, two counters on their own oscillators are reported as such."""
    files = [
        written(tmp_path, "main", own=(0, 400), external=False),
        written(tmp_path, "spare", off=FAST, own=(0, 400), external=False),
    ]

    assert "Both ran on their own oscillators" in printed(*files)


def test_condition_of_an_unknown_time_base(tmp_path: Path) -> None:
    """If the recording lacks the time base, the claim is made under that condition."""
    files = [
        written(tmp_path, "main", external=False),
        written(tmp_path, "spare", off=FAST, external=False),
    ]

    line = lines_of(*files, "--reference", "main")[-1]

    assert line["kind"] == "timebase"
    assert line["condition"] == "if main ran on the reference, which its recording doesn't tell"
    assert line["offset"] == pytest.approx(FAST, abs=5e-11)
    assert line["condition"] in printed(*files, "--reference", "main")


def test_reference_that_was_lost_for_a_while(tmp_path: Path) -> None:
    """Readings of the reference counter on its own oscillator are left out."""
    files = [
        written(tmp_path, "main", own=(100, 200), external=True),
        written(tmp_path, "spare", off=FAST, own=(0, 400), external=False),
    ]

    line = lines_of(*files, "--reference", "main")[-1]

    assert line["readings"] == 300
    assert "whenever not on its own oscillator" in line["condition"]


def test_both_on_the_reference(tmp_path: Path) -> None:
    """For a counter on an external time base nothing is claimed of its own oscillator."""
    files = [
        written(tmp_path, "main", external=True),
        written(tmp_path, "spare", off=FAST, external=True),
    ]

    text = printed(*files, "--reference", "main")

    assert "no offset of its own oscillator" in text
    assert "its time base is off by" not in text


def test_majority_on_their_own_does_not_outvote_the_reference(tmp_path: Path) -> None:
    """Two that agree on their own oscillators don't outvote one on an external time base."""
    files = [
        written(tmp_path, "main", off=FAST, own=(0, 400), external=False),
        written(tmp_path, "spare", off=FAST, own=(0, 400), external=False),
        written(tmp_path, "house", external=True),
    ]

    text = printed(*files)

    assert "house disagrees with the others" in text
    assert "which side is off can't be told" in text
    assert "its time base is off by" not in text


def test_one_unit(tmp_path: Path) -> None:
    """Differences of 5 ppb and of nearly nothing are in the unit of the claim."""
    files = [
        written(tmp_path, "main", external=False),
        written(tmp_path, "spare", off=FAST, external=False),
        written(tmp_path, "rack", external=False),
    ]

    text = printed(*files)

    assert "ppb" in text
    assert "parts in" not in text
