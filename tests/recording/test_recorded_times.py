"""Times in recorded files: uneven spacing, missing rows, and times that do not advance."""

import itertools
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from recorded_kit import Outcome, run_each, run_one, write
from seed_kit import unseen_seed

from benchwatch.recording.row_spacing import find_spacing

NOISE = 1e-10
LEVEL = 2.4e-9


def told_too_long(gate_s: float, readings: int) -> list[dict[str, object]]:
    """Return readings every half second of a counter that reports a gate of `gate_s`.

    Their stamps are those of the middle of that gate, and no earlier than the run: as written
    before reported gates were doubted.
    """
    rng = np.random.default_rng(unseen_seed())
    return [
        {
            "kind": "reading", "counter": "main", "time": None,
            "elapsed_s": max(n / 2 - gate_s / 2, 0.0), "gate_s": gate_s,
            "frequency_hz": round(1e7 * (1 + LEVEL + rng.normal(0, NOISE)), 4), "flags": [],
        }
        for n in range(1, readings + 1)
    ]  # fmt: skip


def written(rows: list[dict[str, object]]) -> str:
    """Write rows as JSON lines."""
    return "".join(json.dumps(row) + "\n" for row in rows)


def times(outcome: Outcome) -> list[float]:
    """Return the times of the readings."""
    return [float(str(reading["elapsed_s"])) for reading in outcome.readings]


def test_a_gate_told_too_long_hides_no_run(tmp_path: Path) -> None:
    """Ten readings share the time 0: all are read, in order, with a note."""
    path = write(tmp_path / "run.jsonl", written(told_too_long(10.0, 120)))

    played, budget, stability = run_each(
        [["replay", "--json", path], ["budget", "--json", path], ["stability", "--json", path]]
    )

    assert [outcome.code for outcome in (played, budget, stability)] == [0, 0, 0]
    assert len(played.readings) == 120
    assert all(later > earlier for earlier, later in itertools.pairwise(times(played)))
    assert all("does not advance" in outcome.narration for outcome in (played, budget, stability))
    assert stability.lines[0]["tau_s"] == 0.5
    assert stability.lines[0]["value"] == pytest.approx(NOISE, rel=0.3)


def test_a_gate_that_grows_in_a_run_hides_nothing_either(tmp_path: Path) -> None:
    """The middle of the first long gate is before readings that are there already."""
    rows = told_too_long(0.5, 60)
    longer = told_too_long(10.0, 120)[60:]
    path = write(tmp_path / "run.jsonl", written(rows + longer))

    played = run_one("replay", "--json", path)

    assert played.code == 0
    assert len(played.readings) == 120
    assert all(later > earlier for earlier, later in itertools.pairwise(times(played)))
    assert "does not advance" in played.narration


def test_two_runs_that_were_joined_are_still_refused(tmp_path: Path) -> None:
    """A gate does not explain a step of minutes back."""
    rows = told_too_long(1.0, 150)
    path = write(tmp_path / "run.jsonl", written(rows + rows))

    outcome = run_one("replay", "--json", path)

    assert outcome.code == 5
    assert "line 151: the time does not advance" in outcome.narration


def test_a_journal_of_such_a_counter_is_read_too(tmp_path: Path) -> None:
    """The tables are made here, with the plain SQLite of Python."""
    path = tmp_path / "journal.db"
    rows = told_too_long(10.0, 100)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.executescript("""
            PRAGMA application_id = 1115114033;
            PRAGMA user_version = 1;
            CREATE TABLE runs (run, watch, counter, resource, driver, started_utc_s, nominal_hz,
                identity, time_base, gate_s, settings, ended_utc_s, end_reason);
            CREATE TABLE readings (run, number, utc_s, elapsed_s, gate_s, text, resolution_hz,
                flags);
            CREATE TABLE gaps (run, number, utc_s, elapsed_s, lasted_s, reason);
            CREATE TABLE marks (run, number, utc_s, elapsed_s, text);
            INSERT INTO runs VALUES (17, 5, 'main', 'x', 'scpi', 2e9, '10000000', '', 'external',
                10.0, '{}', NULL, '');
        """)
        for number, row in enumerate(rows, start=1):
            connection.execute(
                "INSERT INTO readings VALUES (17, ?, ?, ?, 10.0, ?, 1e-4, '')",
                (number, 2e9 + number, row["elapsed_s"], f"{row['frequency_hz']:.4f}"),
            )
    connection.close()

    played = run_one("replay", "--json", str(path))

    assert played.code == 0
    assert [float(str(r["text"])) for r in played.readings] == [r["frequency_hz"] for r in rows]
    assert "event 1: the time of" in played.narration


def table(at_s: "np.ndarray[tuple[int], np.dtype[np.float64]]", seed: int) -> str:
    """Return a table of a quiet oscillator with these times."""
    rng = np.random.default_rng(seed)
    high_hz = 1e7 * (LEVEL + rng.normal(0, NOISE, at_s.size))
    rows = zip(at_s.tolist(), high_hz.tolist(), strict=True)
    return "time_s,frequency_hz\n" + "".join(f"{t:.3f},{1e7 + f:.4f}\n" for t, f in rows)


def test_jitter_of_the_times_invents_no_gap(tmp_path: Path) -> None:
    """Uneven by up to 30 % each way: of each stamp, of each step, and with a normal spread."""
    rng = np.random.default_rng(unseen_seed())
    n = 600
    spacings = {
        "stamps": np.arange(n) + rng.uniform(-0.3, 0.3, n),
        "steps": np.cumsum(rng.uniform(0.7, 1.3, n)),
        "normal": np.cumsum(np.maximum(rng.normal(1.0, 0.2, n), 0.01)),
    }
    commands = [
        ["replay", "--json", write(tmp_path / f"{name}.csv", table(at_s, unseen_seed()))]
        for name, at_s in spacings.items()
    ]

    outcomes = run_each(commands)

    for outcome in outcomes:
        assert len(outcome.readings) == n
        assert outcome.lines[-1]["gaps"] == 0
        assert "varies" in outcome.narration


def test_what_is_truly_missing_in_an_uneven_file_is_a_gap(tmp_path: Path) -> None:
    """A minute without rows exceeds any jitter; in an even file one row does."""
    rng = np.random.default_rng(unseen_seed())
    at_s = np.arange(700) + rng.uniform(-0.3, 0.3, 700)
    uneven = np.delete(at_s, np.arange(400, 460))
    even = np.delete(np.arange(600.0), [200, 400, 401, 500])

    first, second = run_each(
        [
            ["replay", "--json", write(tmp_path / "uneven.csv", table(uneven, unseen_seed()))],
            ["replay", "--json", write(tmp_path / "even.csv", table(even, unseen_seed()))],
        ]
    )

    (gap,) = [line for line in first.lines if line["kind"] == "gap"]
    assert gap["lasted_s"] == pytest.approx(60.0, abs=1.0)
    assert [g["lasted_s"] for g in second.lines if g["kind"] == "gap"] == [1.0, 2.0, 1.0]


def test_what_replay_writes_reads_back_to_the_same_lines(tmp_path: Path) -> None:
    """Turns, spikes, missing rows, blanks and readings over range all stay the same."""
    rng = np.random.default_rng(unseen_seed())
    level, rows = 3e-8, []
    for at_s in range(300):
        if rng.random() < 0.01:
            level += rng.choice([-1.0, 1.0]) * rng.uniform(3e-9, 3e-8)
        wild = rng.uniform(1e-8, 1e-7) if rng.random() < 0.02 else 0.0
        frequency = f"{1e7 * (1 + level + wild + rng.normal(0, NOISE)):.5f}"
        kind = rng.random()
        if kind > 0.03:
            rows.append(f"{at_s},{'' if kind < 0.04 else '9.9E37' if kind < 0.05 else frequency}")
    path = write(tmp_path / "run.csv", "time_s,frequency_hz\n" + "\n".join(rows) + "\n")
    options = ["replay", "--json", "--tolerance", "5ppb", "--settle", "1ppb/1min"]

    first = run_one(*options, path)
    second = run_one(*options, write(tmp_path / "run.jsonl", first.out))

    assert "spike" in first.out
    assert "overrange" in first.out
    assert second.out == first.out


def table_of(stamps: list[str], heading: str) -> str:
    """Write a table of readings at these times."""
    rows = (f"{stamp},{1e-9 * (n % 5):.1e}" for n, stamp in enumerate(stamps))
    return "\n".join([f"{heading},offset", *rows, ""])


@pytest.mark.parametrize(
    ("heading", "stamps", "interval"),
    [
        ("MJD", [f"{64000.3 + n * 10 / 86400:.5f}" for n in range(600)], "10"),
        ("time_s", [str(int(n * 1.7)) for n in range(2500)], "1.7"),
        ("time_s", [f"{n * 0.0125:.3f}" for n in range(600)], "0.0125"),
    ],
)
def test_rounded_times_are_told_with_what_to_type(
    tmp_path: Path, heading: str, stamps: list[str], interval: str
) -> None:
    """The interval is the one by which the times were made, before they were rounded."""
    path = write(tmp_path / "run.csv", table_of(stamps, heading))
    options = ["--time-column", "none", "--interval", f"{interval}s"]

    rounded, told = run_each(
        [["stability", "--json", path], ["stability", "--json", path, *options]]
    )

    assert rounded.narration.count("the times look rounded") == 1
    assert f"type {' '.join(options)}." in rounded.narration
    assert rounded.lines[0]["tau_s"] != float(interval)
    assert "rounded" not in told.narration
    assert told.lines[0]["tau_s"] == float(interval)


def test_missing_rows_and_wandering_times_are_no_rounded_ones(tmp_path: Path) -> None:
    """Every other, or one in three, of evenly spaced rows is lost by chance; or steps vary."""
    rng = np.random.default_rng(unseen_seed())
    lost = [np.flatnonzero(rng.random(900) > share) for share in (0.02, 0.3, 0.5, 0.6)]
    wander = np.cumsum(rng.uniform(0.9, 1.3, 900))
    walk = np.cumsum(rng.choice([0.9, 1.0], 900, p=[0.3, 0.7]))
    commands = []
    for n, moments in enumerate([*lost, wander, walk]):
        text = table_of([f"{moment:.6f}" for moment in moments.tolist()], "time_s")
        commands.append(["stability", write(tmp_path / f"run{n}.csv", text)])

    outcomes = run_each(commands)

    assert not any("rounded" in outcome.narration for outcome in outcomes)


@pytest.mark.parametrize("gate_s", [1.05, 1.1, 1.2, 1.3, 1.4])
def test_whole_seconds_make_no_gap_of_readings_closer_than_a_second_and_a_half(
    tmp_path: Path, gate_s: float
) -> None:
    """Made files of known truth: floor(a + n·gate) has steps of 1 and 2 s, and nothing is missing.

    Of one missing reading the stamps tell where they make a step of 3 s; elsewhere it is a step of
    2 s like the others.
    """
    begin_s = float(np.random.default_rng(unseen_seed()).random())
    stamps = np.floor(begin_s + gate_s * np.arange(400)).astype(int)
    long = np.flatnonzero(stamps[2:] - stamps[:-2] == 3) + 1
    told = int(long[long.size // 2])
    whole = write(tmp_path / "whole.csv", table_of([str(at) for at in stamps], "time_s"))
    left = [str(at) for at in np.delete(stamps, told)]
    less = write(tmp_path / "less.csv", table_of(left, "time_s"))

    complete, missing = run_each([["replay", "--json", whole], ["replay", "--json", less]])

    assert (complete.lines[-1]["readings"], complete.lines[-1]["gaps"]) == (400, 0)
    assert (missing.lines[-1]["readings"], missing.lines[-1]["gaps"]) == (399, 1)
    assert "the times look rounded to 1 s" in complete.narration


def test_times_that_stand_still_by_their_rounding_name_the_way_out(tmp_path: Path) -> None:
    """Rows 0.7 s apart share whole seconds: the sentence says what to type, and that reads them."""
    stamps = [str(int(0.7 * n)) for n in range(300)]
    path = write(tmp_path / "run.csv", table_of(stamps, "time_s"))

    refused, read = run_each([
        ["replay", "--json", path],
        ["replay", "--json", path, "--time-column", "none", "--interval", "0.7s"],
    ])  # fmt: skip

    assert "--time-column none --interval" in refused.narration
    assert (read.lines[-1]["readings"], read.lines[-1]["gaps"]) == (300, 0)


def test_rows_missing_at_random_stay_gaps_in_whole_seconds() -> None:
    """Of 1-s rows some are lost by chance: hardly ever are their places so even as by rounding."""
    rng = np.random.default_rng(unseen_seed())

    taken = 0
    for share in (0.01, 0.05, 0.1, 0.2, 0.3) * 40:
        moments = np.flatnonzero(rng.random(1000) > share).astype(float)
        spacing = find_spacing(np.diff(moments), gaps_reported=False, stated_s=None)
        taken += spacing.longest_s >= 2

    assert taken <= 4
