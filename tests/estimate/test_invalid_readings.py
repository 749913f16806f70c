"""Invalid readings, gaps and equal times: the numbers stay plausible for any input."""

import json
import math
from pathlib import Path

import pytest
from counter_kit import tiny_counter, value_of
from hypothesis import given, settings
from hypothesis import strategies as st
from pipeline_kit import reading
from program_kit import start_program

from benchwatch.estimate.level.reading_noise import ReadingNoise
from benchwatch.estimate.live_estimate import LiveEstimate
from benchwatch.estimate.results import Numbers, SettleLimit
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.pipeline.trim_tracker import TrimTracker
from benchwatch.plan import Plan
from benchwatch.reading import OVERRANGE, Gap

LIMIT = SettleLimit(1e-9, 30.0)

Move = tuple[str, float, float]
"""Kind of event, seconds before it, and its offset."""

moves = st.lists(
    st.tuples(
        st.sampled_from(["reading"] * 12 + ["invalid", "gap", "gap", "long gap", "set_limits"]),
        st.sampled_from([0.0, 0.25, 1.0, 1.0, 1.0, 40.0]),
        st.one_of(
            st.sampled_from([0.0, 1e-9, 1.1e-9, -1e-9, 5e-8, 1e-3]),
            st.floats(-1e-8, 1e-8),
        ),
    ),
    min_size=1,
    max_size=120,
)
ramps = st.integers(-3, 3)
"""Nanounits a move: a motion that continues through gaps."""


def check(numbers: Numbers) -> None:
    """Check that no number is absurd."""
    estimate, drift = numbers.estimate, numbers.drift
    if estimate is not None:
        assert math.isfinite(estimate.offset)
        assert math.isfinite(estimate.span_s)
        assert estimate.readings >= 1
        assert estimate.u is None or (math.isfinite(estimate.u) and estimate.u > 0.0)
    if drift is not None:
        assert math.isfinite(drift.per_s)
        assert drift.u is None or math.isfinite(drift.u)


@settings(max_examples=100, deadline=None)
@given(moves, ramps, st.sampled_from([0.0, 1e-12, 1e-9]), st.integers(1, 9))
def test_any_moves_leave_sane_numbers(
    made: list[Move], ramp: int, resolution: float, stretch: int
) -> None:
    """Readings, invalid ones, gaps, equal times and new limits in any order."""
    live, trimming = LiveEstimate(tolerance=1e-9, settle=LIMIT), TrimTracker(1e-9, LIMIT)
    now_s = 0.0
    for number, (what, wait_s, away) in enumerate(made):
        now_s += wait_s
        if what.endswith("gap") or (stretch < 6 and number % (stretch + 1) == 0):
            live.gap()
            trimming.gap()
        elif what == "set_limits":
            live.set_limits(2e-9, LIMIT)
        else:
            offset = away + ramp * 1e-9 * number
            if what == "invalid":
                offset = math.nan if number % 2 else math.inf
            numbers = live.add(now_s, offset, gate_s=1.0, resolution=resolution)
            trimming.add(now_s, offset, numbers)
        check(live.numbers)


@settings(max_examples=60, deadline=None)
@given(moves, ramps)
def test_any_events_leave_a_sane_snapshot(made: list[Move], ramp: int) -> None:
    """The same through the whole pipeline, slow statistics included."""
    pipeline = Pipeline(Plan(name="main", resource="", tolerance=1e-9, settle=LIMIT))
    snapshot = pipeline.snapshot
    now_s = 0.0
    for number, (what, wait_s, offset) in enumerate(made):
        now_s += wait_s
        text = f"{1e7 * (1.0 + offset + ramp * 1e-9 * number):.4f}"
        if what.endswith("gap"):
            snapshot = pipeline.take(
                Gap(counter="main", utc_s=now_s, elapsed_s=now_s, lasted_s=5.0, reason="no reply")
            )
        elif what == "invalid":
            snapshot = pipeline.take(reading(int(now_s), text, flags=frozenset({OVERRANGE})))
        else:
            snapshot = pipeline.take(reading(int(now_s), text))
        check(snapshot.numbers)
    pipeline.refresh()


def test_a_ramp_in_pairs_of_readings_has_a_noise() -> None:
    """Two readings have no second difference, and no differences span a gap."""
    noise = ReadingNoise()

    for pair in range(40):
        noise.add(1e-9 * pair)
        noise.add(1e-9 * pair + 1e-10)
        noise.gap()

    assert not noise.moving
    assert noise.sigma == pytest.approx(1e-10 / math.sqrt(2.0), rel=0.01)


def test_a_watch_continues_when_every_third_answer_is_no_number() -> None:
    """A real process and a counter on a socket that shares no code with the product."""
    with tiny_counter(gate_s=0.01) as counter:
        counter.invalid_every = 3
        watch = start_program(
            "watch", counter.resource, "--json", "--no-journal", "--count", "60",
            "--nominal", "10MHz",
        )  # fmt: skip
        out, err = watch.communicate(timeout=100)

    lines = [json.loads(line) for line in out.splitlines()]
    readings = [line for line in lines if line["kind"] == "reading"]
    assert watch.returncode == 0, err
    assert "Traceback" not in err
    assert len(readings) == 60
    assert any(line["kind"] == "gap" for line in lines)
    read = [round((line["frequency_hz"] - 1e7) * 1e4) for line in readings]
    assert read == sorted(set(read))
    assert read[0] == round((value_of(read[0]) - 1e7) * 1e4)


@pytest.mark.parametrize("command", ["replay", "budget"])
def test_a_file_of_pairs_with_gaps_is_read(command: str, tmp_path: Path) -> None:
    """Rows come in pairs while the offset rises, with three seconds missing after each."""
    rows = [f"{5 * k + j},{1e7 + 0.01 * k + 0.002 * j:.4f}" for k in range(40) for j in (0, 1)]
    path = tmp_path / "pairs.csv"
    path.write_text("time_s,frequency_hz\n" + "\n".join(rows) + "\n")

    run = start_program(command, str(path), *(["--json"] if command == "replay" else []))
    out, err = run.communicate(timeout=100)

    assert "Traceback" not in err
    assert run.returncode == 0, err
    assert out
