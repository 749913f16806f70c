"""Recorded readings that a person typed: a pause between two is no gap."""

import json
from pathlib import Path

import pytest

from benchwatch.reading import TYPED, Flag
from benchwatch.recording import read_recording

TIMES_S = [0.0, 8.0, 15.0, 24.0, 33.0, 40.0, 640.0, 655.0, 8000.0, 8010.0]
"""Seconds: a person's pace, a pause of ten minutes, and one of two hours."""


def lines(flags: list[Flag]) -> str:
    """Write readings at those times as ``watch --json`` does."""
    return "".join(
        json.dumps(
            {
                "kind": "reading",
                "counter": "main",
                "time": f"2031-05-04T{at // 3600:02.0f}:{at // 60 % 60:02.0f}:{at % 60:06.3f}Z",
                "elapsed_s": at,
                "gate_s": None,
                "frequency_hz": 10000000.09,
                "text": "10000000.09",
                "offset": 9e-9,
                "offset_hz": 0.09,
                "flags": flags,
            }
        )
        + "\n"
        for at in TIMES_S
    )


@pytest.mark.parametrize(("flags", "gaps"), [([TYPED], 0), ([], 2)])
def test_a_pause_between_typed_readings_is_no_gap(
    tmp_path: Path, flags: list[Flag], gaps: int
) -> None:
    """Of a counter that is read by the program the same times have two gaps."""
    path = tmp_path / "typed.jsonl"
    path.write_text(lines(flags), encoding="utf-8")

    recording = read_recording(str(path))

    assert len(recording.gaps) == gaps
    assert list(recording.time_s) == pytest.approx(TIMES_S)
