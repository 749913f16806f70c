"""Time bases: the known offset of the reference is corrected once, before the estimate."""

import io
import json
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import screen_kit as kit
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from journal_kit import read_events, read_runs
from pipeline_kit import NOMINAL, START_UTC_S, reading

from benchwatch.acquire import CounterStatus
from benchwatch.bench import read_bench
from benchwatch.commands.budget import budget
from benchwatch.commands.common.recorded_plan import plan_of_recording
from benchwatch.commands.compare import compare
from benchwatch.commands.replay import replay
from benchwatch.counter import LinkStatus, TimeBase
from benchwatch.estimate.comparison.counter_comparison import (
    TimeBaseOffset,
    as_read,
    corrected,
)
from benchwatch.estimate.comparison.time_base_claims import TimeBaseClaim
from benchwatch.estimate.uncertainty.offset_record import Reference
from benchwatch.journal import Journal
from benchwatch.line_output import LineOutput, PlainWriter, json_line
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.pipeline.time_base_correction import proven_time_base
from benchwatch.plan import Plan
from benchwatch.reading import INTERNAL_TIMEBASE, PROVEN_TIMEBASE, Reading, Touch
from benchwatch.recording import read_recordings
from benchwatch.recording.journal_rows import SelectedRows
from benchwatch.screen.panels.shared_rows import unit_line

OFF = 5e-9
HOUSE = Reference(name="house reference", u=1e-10, offset=OFF, ageing_per_s=0.0)
OWN = Reference(name="counter's time base", u=2e-9, offset=-2e-8)
PLAN = Plan(name="main", resource="lines", nominal=NOMINAL, tolerance=4e-9, reference=HOUSE)
BENCH = """
[reference]
name = "house reference"
uncertainty = "1e-10"
offset = "5 ppb"
calibrated = 2026-01-01
ageing = "none"
[counters.main]
resource = "GPIB0::3::INSTR"
nominal = "10 MHz"
tolerance = "4 ppb"
"""


def made(count: int, *, internal: bool = False, first: int = 1, mean: float = 0.0) -> list[Reading]:
    """Return readings about `mean` with 0.1 ppb of noise."""
    random = np.random.default_rng(first)
    flags = frozenset({INTERNAL_TIMEBASE}) if internal else frozenset()
    return [
        reading(first + k, f"{1e7 * (1 + mean + random.normal(0, 1e-10)):.5f}", flags=flags)
        for k in range(count)
    ]


def connected(pipeline: Pipeline, source: str) -> Pipeline:
    """Report which time base the counter uses."""
    pipeline.connect(
        CounterStatus(
            link=LinkStatus("reading", 0.5),
            identity=None,
            time_base=TimeBase(source),
            gate_s=1.0,
            nominal=NOMINAL,
        )
    )
    return pipeline


def lines_of(pipeline: Pipeline, readings: list[Reading]) -> list[dict[str, object]]:
    """Feed readings and return their JSON lines."""
    out = io.StringIO()
    lines = LineOutput(out, json_line)
    for one in readings:
        now = pipeline.take(one)
        lines.event(now.corrected(one), now.numbers)
    return [json.loads(text) for text in out.getvalue().splitlines()]


def test_a_fast_reference_makes_the_counter_read_low() -> None:
    """With a reference 5 ppb high, a reading of 0 is 5 ppb high: read = true/(1 + y)."""
    now = connected(Pipeline(PLAN), "external").take(reading(1, "10000000.0000"))

    assert now.reading is not None
    assert now.reading.offset == pytest.approx(5e-9, rel=1e-12)
    assert now.reading.offset_hz == pytest.approx(0.05, rel=1e-12)
    assert now.reading.frequency_hz == 10_000_000.0
    assert now.reading.text == "10000000.0000"


def claim(*, u: float | None = 3e-11) -> TimeBaseClaim:
    """Return the claim that the own time base is fast by 20 ppb, by a comparison with ``ten``."""
    return TimeBaseClaim(
        base=TimeBaseOffset("main", 2e-8, u),
        against="ten",
        condition="if that is the reference",
        readings=120,
        u_apart=2e-11,
        expanded=4e-11,
        dof=30.0,
        seen=True,
    )


def test_a_proof_corrects_as_long_as_the_counter_counts_by_that_time_base() -> None:
    """On the external reference it has no effect, and back on its own oscillator it has again."""
    pipeline = connected(Pipeline(PLAN), "internal")
    lines_of(pipeline, made(20, internal=True))
    pipeline.use_proof(proven_time_base(claim()), START_UTC_S + 21, 21.0)

    own = lines_of(pipeline, made(20, internal=True, first=21))
    external = lines_of(connected(pipeline, "external"), made(20, first=41))
    again = lines_of(connected(pipeline, "internal"), made(20, internal=True, first=61))

    assert {line["correction"] for line in own} == {2e-8}
    assert all("proven-timebase" in str(line["flags"]) for line in own)
    assert own[0]["estimate"]["readings"] == 1  # type: ignore[index] # it began anew
    assert {line["correction"] for line in external} == {OFF}
    assert "proven-timebase" not in str(external[-1]["flags"])
    assert {line["correction"] for line in again} == {2e-8}


def test_a_journal_says_which_readings_a_proof_corrected(tmp_path: Path) -> None:
    """Read again, they have the correction that they had live, until it was dropped."""
    path = tmp_path / "journal.db"
    with closing(Journal(path)) as journal:
        pipeline = connected(Pipeline(PLAN, journal=journal, utc_s=START_UTC_S), "internal")
        lines_of(pipeline, made(20, internal=True))
        pipeline.use_proof(proven_time_base(claim()), START_UTC_S + 21, 21.0)
        lines_of(pipeline, made(20, internal=True, first=21))
        lines_of(connected(pipeline, "external"), made(20, first=41))
        pipeline.use_proof(None, START_UTC_S + 61, 61.0)
        lines_of(connected(pipeline, "internal"), made(20, internal=True, first=61))
    rows = [rows for chunk in SelectedRows(str(path), None).counters()[0] for _, rows in chunk]

    (one,) = rows
    assert one.corrections == dict.fromkeys(range(20, 40), 2e-8)
    assert [i for i, flags in one.flags.items() if PROVEN_TIMEBASE in flags] == list(range(20, 40))


def test_the_proof_is_a_row_of_the_budget_with_its_degrees_of_freedom() -> None:
    """U of comparison and reference, widened degrees of freedom; what is unknown is missing."""
    known, unknown = (proven_time_base(claim(u=u)).reference for u in (3e-11, None))

    assert known.u == 3e-11
    assert known.dof == pytest.approx(30.0 * 1.5**4)
    assert known.name == "time base proven against ten"
    assert known.missing == ()
    assert unknown.u == 2e-11
    assert unknown.missing == ("uncertainty of the reference of ten",)


@given(st.floats(-1e-3, 1e-3), st.floats(-1e-3, 1e-3))
def test_the_correction_and_its_inverse(true: float, time_base: float) -> None:
    """(1 + read)·(1 + y) is the truth, and read is computed back from it."""
    read = as_read(true, time_base)

    assert (1 + read) * (1 + time_base) == pytest.approx(1 + true, rel=1e-15)
    assert corrected(read, time_base) == pytest.approx(true, abs=1e-18)


def test_all_results_have_the_corrected_offset() -> None:
    """Estimate, tolerance, line, record and trace agree; the frequency stays as read."""
    pipeline = connected(Pipeline(PLAN), "external")

    last = lines_of(pipeline, made(60))[-1]

    estimate = pipeline.snapshot.numbers.estimate
    record = pipeline.record("as left", START_UTC_S + 60, 60.0)
    assert estimate is not None
    assert estimate.offset == pytest.approx(OFF, abs=5e-11)
    assert last["estimate"]["offset"] == estimate.offset  # type: ignore[index]
    assert last["tolerance"] == {"limit": 4e-9, "inside": False}
    assert last["correction"] == OFF
    assert last["frequency_hz"] == float(str(last["text"]))
    assert last["offset_hz"] == pytest.approx(0.05, abs=5e-3)
    assert record.offset == pytest.approx(estimate.offset, rel=1e-12)
    assert [line.estimate for line in record.budget.lines if line.name == HOUSE.name] == [OFF]
    assert pipeline.trace(60.0, 60).offset[-1] == pytest.approx(OFF, abs=5e-10)


@pytest.mark.parametrize(
    ("source", "internal", "correction"),
    [("external", False, OFF), ("internal", True, -2e-8), ("unknown", False, None)],
)
def test_only_the_time_base_in_use_corrects(
    source: str, internal: bool, correction: float | None
) -> None:
    """The reference's offset applies on the external input only, the counter's own on its own."""
    pipeline = connected(Pipeline(replace(PLAN, own_time_base=OWN)), source)

    last = lines_of(pipeline, made(20, internal=internal))[-1]

    assert last["correction"] == correction
    assert last["estimate"]["offset"] == pytest.approx(correction or 0.0, abs=2e-10)  # type: ignore[index]
    record = pipeline.record("as left", START_UTC_S + 20, 20.0)
    assert dict(record.conditions)["time base"] == source
    assert record.offset == pytest.approx(correction or 0.0, abs=2e-10)


def test_the_counters_own_time_base_is_in_the_budget() -> None:
    """With its uncertainty and name, when the counter uses it."""
    pipeline = connected(Pipeline(replace(PLAN, own_time_base=OWN)), "internal")
    lines_of(pipeline, made(20, internal=True))

    record = pipeline.record("as left", START_UTC_S + 20, 20.0)

    assert [line.u for line in record.budget.lines if line.name == OWN.name] == [2e-9]


def test_a_change_of_time_base_is_no_nudge() -> None:
    """The estimate restarts; the gap is not bridged, and the record from before stays."""
    pipeline = connected(Pipeline(PLAN), "external")
    before = lines_of(pipeline, made(60))
    connected(pipeline, "internal")

    after = lines_of(pipeline, made(60, internal=True, first=61))

    assert all(line["nudge"] is None for line in before + after)
    assert after[0]["estimate"]["readings"] == 1  # type: ignore[index]
    assert after[-1]["estimate"]["readings"] <= 60  # type: ignore[index,operator]
    assert after[-1]["estimate"]["offset"] == pytest.approx(0.0, abs=5e-11)  # type: ignore[index]
    assert after[-1]["correction"] is None
    assert pipeline.snapshot.gaps == 0


def test_as_found_keeps_the_time_base_it_was_found_by() -> None:
    """The tool is put on, the reference disconnected, and then the trimmer turned."""
    pipeline = connected(Pipeline(PLAN), "external")
    lines_of(pipeline, made(30))
    pipeline.take(Touch(counter="main", utc_s=START_UTC_S + 30, elapsed_s=30.5, on=True))
    connected(pipeline, "internal")
    lines_of(pipeline, made(15, internal=True, first=31))
    lines_of(pipeline, made(15, internal=True, first=46, mean=1e-8))
    lines_of(pipeline, made(15, internal=True, first=61, mean=3e-7))

    records = pipeline.snapshot.records

    assert records is not None
    assert records.as_found is not None
    found = records.as_found
    assert dict(found.conditions)["time base"] == "external"
    assert found.offset == pytest.approx(OFF, abs=1e-10)


def test_journal_keeps_the_raw_reading(tmp_path: Path) -> None:
    """The journal holds the counter's own text."""
    journal = Journal(tmp_path / "journal.sqlite")
    pipeline = connected(Pipeline(PLAN, journal=journal, utc_s=START_UTC_S, watch=1), "external")
    pipeline.take(reading(1))
    journal.close()

    (kept,) = read_events(journal.path, read_runs(journal.path)[0])

    assert kept == reading(1)


def test_corrected_lines_replay_to_the_same_lines(tmp_path: Path) -> None:
    """A live correction is not applied twice in replay, with or without a bench file."""
    pipeline = connected(Pipeline(PLAN), "external")
    live = lines_of(pipeline, made(40))
    run, bench = tmp_path / "run.jsonl", tmp_path / "bench.toml"
    run.write_text("\n".join(json.dumps(line) for line in live) + "\n")
    bench.write_text(BENCH)

    def again(*more: str) -> list[dict[str, object]]:
        result = CliRunner().invoke(replay, [str(run), "--json", *more], catch_exceptions=False)
        return [json.loads(text) for text in result.stdout.splitlines()][:-1]

    alone, with_bench = again("--tolerance", "4ppb"), again("--bench", str(bench))
    for key in ("frequency_hz", "text", "offset", "offset_hz", "correction", "tolerance"):
        assert [line[key] for line in alone] == [line[key] for line in live]
        assert [line[key] for line in with_bench] == [line[key] for line in live]
    assert alone[-1]["estimate"] == with_bench[-1]["estimate"] == live[-1]["estimate"]


def write_run(path: Path, correction: float | None) -> str:
    """Write the lines of a live run on the reference, corrected or not."""
    plan = PLAN if correction else replace(PLAN, reference=None)
    lines = lines_of(connected(Pipeline(plan), "external"), made(120))
    path.write_text("\n".join(json.dumps(line) for line in lines) + "\n")
    return str(path)


@pytest.mark.parametrize("correction", [None, OFF])
def test_budget_by_the_bench_file(tmp_path: Path, correction: float | None) -> None:
    """The reference of the bench file applies once with its offset, and with its uncertainty."""
    bench = tmp_path / "bench.toml"
    bench.write_text(BENCH)
    run = write_run(tmp_path / "run.jsonl", correction)

    result = CliRunner().invoke(
        budget, [run, "--bench", str(bench), "--json"], catch_exceptions=False
    )

    *parts, whole = [json.loads(text) for text in result.stdout.splitlines()]
    assert whole["offset"] == pytest.approx(OFF, abs=5e-11)
    assert [part["u"] for part in parts if part["name"] == "house reference"] == [1e-10]
    assert not any("house" in missing or "time base" in missing for missing in whole["missing"])


def test_budget_of_corrected_lines(tmp_path: Path) -> None:
    """Without the bench file the recorded correction stays, and its missing parts are listed."""
    result = CliRunner().invoke(
        budget, [write_run(tmp_path / "run.jsonl", OFF), "--json"], catch_exceptions=False
    )

    whole = json.loads(result.stdout.splitlines()[-1])

    assert whole["offset"] == pytest.approx(OFF, abs=5e-11)
    assert "uncertainty of the time base" in whole["missing"]


def test_budget_by_one_time_base(tmp_path: Path) -> None:
    """After a change of time base the budget is of the readings since, and reports that."""
    pipeline = connected(Pipeline(PLAN), "external")
    lines = lines_of(pipeline, made(60))
    connected(pipeline, "internal")
    lines += lines_of(pipeline, made(50, internal=True, first=61))
    path = tmp_path / "run.jsonl"
    path.write_text("\n".join(json.dumps(line) for line in lines) + "\n")

    result = CliRunner().invoke(budget, [str(path), "--json"], catch_exceptions=False)
    found = CliRunner().invoke(budget, [str(path), "--json", "--kind", "as found"])

    left = json.loads(result.stdout.splitlines()[-1])
    assert left["readings"] == 50
    assert left["offset"] == pytest.approx(0.0, abs=5e-11)
    assert "the time base changed" in result.stderr
    assert json.loads(found.stdout.splitlines()[-1])["offset"] == pytest.approx(OFF, abs=5e-11)


def test_compare_by_the_bench_file(tmp_path: Path) -> None:
    """The counter on the reference uses its offset and u; corrected readings count as read."""
    (tmp_path / "bench.toml").write_text(BENCH)
    main = write_run(tmp_path / "main.jsonl", OFF)
    other = [replace(one, counter="spare") for one in made(120, first=1, mean=-1e-8)]
    lines = lines_of(Pipeline(replace(PLAN, name="spare", reference=None)), other)
    spare = tmp_path / "spare.jsonl"
    spare.write_text("\n".join(json.dumps(line) for line in lines) + "\n")

    result = CliRunner().invoke(
        compare,
        [
            main,
            str(spare),
            "--reference",
            "main",
            "--bench",
            str(tmp_path / "bench.toml"),
            "--json",
        ],
        catch_exceptions=False,
    )

    base = [json.loads(text) for text in result.stdout.splitlines()][-1]
    assert base["offset"] == pytest.approx(OFF + 1e-8, abs=1e-12)
    assert base["u"] >= 1e-10


def test_bench_file_states_both_time_bases() -> None:
    """A table in the counter's own, with the keys of [reference], is its own oscillator."""
    text = BENCH + '[counters.main.time_base]\noffset = "-20 ppb"\nuncertainty = "2 ppb"\n'

    (plan,) = read_bench(text, "bench.toml", utc_s=START_UTC_S).plans()

    assert plan.reference is not None
    assert plan.reference.offset == 5e-9
    assert plan.own_time_base is not None
    assert plan.own_time_base.name == "counter's time base"
    assert (plan.own_time_base.offset, plan.own_time_base.u) == (-2e-8, 2e-9)


@pytest.mark.parametrize("width", [80, 120])
def test_the_screen_shows_the_correction(width: int) -> None:
    """A short phrase in place of the time base's name; nothing without a correction."""
    one = replace(kit.reading(2e-9), correction=5e-9)
    own = replace(one, flags=frozenset({INTERNAL_TIMEBASE}))

    def row(shown: Reading, source: str) -> str:
        now = kit.snapshot(reading=shown, time_base=TimeBase(source))
        return unit_line(kit.frame(now), width, 1)[0].plain

    assert "reference +5.000 ppb put right" in row(one, "external")
    assert "own time base +5.000 ppb put right" in row(own, "internal")
    assert "put right" not in row(replace(one, correction=None), "external")


def test_plain_lines_show_the_correction() -> None:
    """A plain line names the correction after its numbers."""
    pipeline = connected(Pipeline(PLAN), "external")
    now = pipeline.take(reading(1, "10000000.0000"))
    assert now.reading is not None

    text = PlainWriter()(now.reading, now.numbers)

    assert "+0.0500 Hz" in text
    assert "(reference +5.000 ppb put right)" in text


def test_a_table_by_the_name_of_its_counter(tmp_path: Path) -> None:
    """A table names no counter; --counter names whose time base in the bench file applies."""
    bench, run = tmp_path / "bench.toml", tmp_path / "run.csv"
    own = '[counters.spare]\nresource = "GPIB0::4::INSTR"\ntolerance = "7 ppb"\n'
    bench.write_text(BENCH + own)
    run.write_text("time_s,frequency_hz\n" + "\n".join(f"{k},10000000.00" for k in range(20)))
    (recording,) = read_recordings(str(run))

    assert plan_of_recording(recording, bench).tolerance is None
    assert plan_of_recording(recording, bench, "spare").tolerance == pytest.approx(7e-9)
    assert plan_of_recording(recording, bench).reference is not None
    assert plan_of_recording(recording, None).reference is None
