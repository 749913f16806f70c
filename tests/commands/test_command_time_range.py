"""The readings used for numbers after a run: spikes, turns, warm-ups, lost readings."""

import io
import json
import math
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import allantools
import numpy as np
import pytest
from seed_kit import unseen_seed

from benchwatch.cli import run as run_command
from benchwatch.estimate.spikes import spikes

Floats = np.ndarray[Any, np.dtype[np.float64]]


@dataclass(frozen=True)
class Result:
    """Exit code and output of a command."""

    exit_code: int
    stdout: str
    stderr: str


def tried(*arguments: str) -> Result:
    """Run a command as from the command line."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = run_command(list(arguments))
    return Result(code, out.getvalue(), err.getvalue())


def run(*arguments: str) -> Result:
    """Run a command that succeeds."""
    result = tried(*arguments)
    assert result.exit_code == 0, result.stderr
    return result


def lines(result: Result) -> list[dict[str, Any]]:
    """Read lines of JSON."""
    return [json.loads(line) for line in result.stdout.splitlines()]


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., str]:
    """Write offsets as a table, one a second; some rows may be left out."""

    def written(offset: Floats, lost: Floats | None = None) -> str:
        path = tmp_path / "run.csv"
        kept = [k for k in range(len(offset)) if lost is None or not lost[k]]
        rows = [f"{k},{1e7 * (1 + offset[k]):.6f}" for k in kept]
        path.write_text("time_s,frequency_hz\n" + "\n".join(rows) + "\n")
        return str(path)

    return written


def noise(size: int) -> Floats:
    """Make white noise of 1e-10."""
    return np.random.default_rng(unseen_seed()).normal(0.0, 1e-10, size)


def test_a_spike_that_nobody_flagged(write: Callable[..., str]) -> None:
    """One reading off by 40 ppb: stability and budget leave it out, and both count it."""
    offset = noise(600)
    offset[300] += 4e-8
    path = write(offset)

    row = lines(run("stability", path, "--taus", "1s", "--json"))[0]
    whole = lines(run("budget", path, "--json"))[-1]

    assert row["spikes"] == whole["spikes"] == 1
    assert row["value"] == pytest.approx(1e-10, rel=0.12)
    assert whole["readings"] == 599
    assert "1 spike left out" in run("stability", path).stdout
    assert "1 spike left out" in run("budget", path).stdout


def test_spikes_that_replay_flagged(write: Callable[..., str], tmp_path: Path) -> None:
    """Readings that ``replay --json`` flags are left out, and the deviation is the noise."""
    offset = noise(900)
    offset[[100, 450, 451 + 200]] += np.array([2e-8, -3e-8, 5e-8])
    played = tmp_path / "played.jsonl"
    played.write_text(run("replay", write(offset), "--json", "--nominal", "10MHz").stdout)

    row = lines(run("stability", str(played), "--taus", "1s", "--json"))[0]

    flagged = sum("spike" in line["flags"] for line in lines_of(played, "reading"))
    assert flagged == 3
    assert row["spikes"] == 3
    assert row["value"] <= 1.1e-10


def test_a_warm_up_before_the_turns_is_the_one_that_is_told(write: Callable[..., str]) -> None:
    """An oven that comes in for 200 s, a turn, and a tool lifted at the end: no second warm-up."""
    offset = noise(900)
    offset[:200] += 1e-6 * np.exp(-np.arange(200) / 25.0)
    offset[500:] += 8e-9
    offset[500:560] += 1.2e-9 * np.repeat([1.0, -1.0], 30)

    result = run("stability", write(offset))

    told = result.stderr
    assert "a warm-up until " in told
    ended = told.split("a warm-up until ")[1].split(" and ")[0]
    assert ended.startswith(("2 min", "3 min")), told


def test_as_found_is_not_of_the_warm_up(write: Callable[..., str]) -> None:
    """An oven comes in to 37 ppb and is turned to 1 ppb: as found is the settled offset."""
    offset = noise(900)
    offset[:200] += 1e-6 * np.exp(-np.arange(200) / 25.0)
    offset[:600] += 37e-9
    offset[600:] += 1e-9

    result = run("budget", write(offset), "--kind", "as found", "--json")

    whole = lines(result)[-1]
    assert whole["offset"] == pytest.approx(37e-9, abs=1e-10)
    assert whole["u"] < 1e-9
    assert "as found is of what came after" in result.stderr


def test_nothing_tells_since_when_it_is_settled(write: Callable[..., str]) -> None:
    """An oven that comes in until the end, and quiet noise: the whole run is used, as reported."""
    moving = noise(60) + 1e-6 * np.exp(-np.arange(60) / 100.0)
    for offset in (moving, noise(300)):
        path = write(offset)
        for command in ("stability", "budget"):
            assert (
                "no end of a warm-up stands out" in run(command, path, "--since", "settled").stderr
            )
    assert "no nudge is found" in run("stability", path, "--since", "nudge").stderr


def lines_of(path: Path, kind: str) -> list[dict[str, Any]]:
    """Read the lines of one kind in a file."""
    read = [json.loads(line) for line in path.read_text().splitlines()]
    return [line for line in read if line["kind"] == kind]


def test_neither_noise_nor_steps_nor_digits_are_spikes() -> None:
    """White noise, a step, a random walk and a coarse last digit have none."""
    rng = np.random.default_rng(unseen_seed())
    white = rng.normal(size=20_000)
    step = rng.normal(size=1000)
    step[500:] += 100.0

    made = (white, step, np.cumsum(white), np.round(0.2 * white), np.full(100, 1e-9))

    assert [int(spikes(y).sum()) for y in made] == [0] * len(made)


def test_wild_readings_are_found() -> None:
    """Of 200 readings 20 to 300 σ off, all are found and no other, at any sign and shift."""
    rng = np.random.default_rng(unseen_seed())
    y = rng.normal(size=20_000)
    at = 50 + 90 * np.arange(200)
    y[at] += rng.choice([-1.0, 1.0], 200) * rng.uniform(20.0, 300.0, 200)

    for made in (y, -y, 1e-9 * y + 1e-3):
        assert np.flatnonzero(spikes(made)).tolist() == at.tolist()


def test_turns_are_told_and_left_out_on_demand(write: Callable[..., str]) -> None:
    """Two turns: a note with the time of the last, and ``--since nudge`` begins there."""
    offset = noise(900)
    offset[:300] += 8e-9
    offset[300:500] -= 5e-9
    path = write(offset)

    whole, since = run("stability", path, "--json"), run("stability", path, "--since", "nudge")
    row = lines(run("stability", path, "--since", "nudge", "--taus", "64s", "--json"))[0]

    assert (
        "2 steps (the trimmer turned, the tool put on or lifted), the last at 8 min" in whole.stderr
    )
    assert "since the last nudge" in since.stdout
    assert row["begin_s"] == 500.0
    assert row["since"] == "nudge"
    assert row["value"] < 4e-11
    assert "last at" not in since.stderr


def test_a_long_run_shows_its_turn_to_the_reading(write: Callable[..., str]) -> None:
    """In a run searched by blocks a turn of one σ is still located within some readings."""
    offset = noise(20_000)
    offset[12_345:] += 1e-9

    row = lines(run("stability", write(offset), "--since", "nudge", "--json"))[0]

    assert row["begin_s"] == pytest.approx(12_345, abs=3)


def test_a_warm_up_is_told_and_left_out_on_demand(write: Callable[..., str]) -> None:
    """An exponential of 2 min: a note with its end, and ``--since settled`` begins there."""
    at = np.arange(3600.0)
    path = write(noise(3600) + 5e-7 * np.exp(-at / 120.0))

    told = run("stability", path, "--json").stderr
    by_itself = lines(run("stability", path, "--since", "settled", "--json"))[0]
    by_limit = lines(
        run("stability", path, "--since", "settled", "--settle", "1ppb/10min", "--json")
    )[0]
    budget = lines(run("budget", path, "--since", "settled", "--json"))[-1]

    assert "holds a warm-up until" in told
    # 120 s · ln(5e-7 / 1e-10) is 1022 s; the rule may stop once the rest is below the mean's noise.
    assert 600.0 < by_itself["begin_s"] < 1400.0
    assert 600.0 < by_limit["begin_s"] < 2600.0
    assert budget["begin_s"] == by_itself["begin_s"]
    assert budget["offset"] == pytest.approx(0.0, abs=2e-10)


def test_from_and_to(write: Callable[..., str]) -> None:
    """``--from`` and ``--to`` choose a part; a mistake gives a sentence with the run's ends."""
    path = write(noise(600))

    row = lines(run("stability", path, "--from", "2min", "--to", "5min", "--json"))[0]
    whole = lines(run("budget", path, "--from", "2min", "--to", "5min", "--json"))[-1]
    wrong = tried("stability", path, "--from", "2h")

    for told in (row, whole):
        assert (told["begin_s"], told["end_s"], told["since"]) == (120.0, 300.0, "typed")
    assert whole["readings"] == 181
    assert wrong.exit_code == 2
    assert "has readings from 0 s to 9 min 59 s" in wrong.stderr


def test_never_settled_is_said(write: Callable[..., str]) -> None:
    """A steady drift above the limit has no settled part."""
    path = write(noise(1200) + 1e-11 * np.arange(1200))

    result = tried("stability", path, "--since", "settled", "--settle", "1ppb/10min")

    assert result.exit_code == 2
    assert "has not settled at its end" in result.stderr


def test_lost_readings_cost_short_averages_only(write: Callable[..., str]) -> None:
    """1 % lost of three hours: all octaves of the whole run stay, and agree with allantools.

    The reference is `allantools.oadev` of the run with nothing lost.
    """
    offset = noise(10_800)
    lost = np.random.default_rng(unseen_seed()).random(offset.size) < 0.01
    lost[[0, 1, -1]] = False

    found = lines(run("stability", write(offset, lost), "--json"))

    taus = [row["tau_s"] for row in found]
    assert taus == [float(2**k) for k in range(13)]
    _, expected, _, _ = allantools.oadev(offset, rate=1.0, data_type="freq", taus=taus)
    ratios = [row["value"] / true for row, true in zip(found, expected, strict=True)]
    assert all(math.isclose(ratio, 1.0, rel_tol=0.12) for ratio in ratios[:10])
    assert all(math.isclose(ratio, 1.0, rel_tol=0.4) for ratio in ratios[10:])


def test_phase_runs_on_through_a_gap(tmp_path: Path) -> None:
    """A time error with one of four hours missing still shows the longest averages."""
    rng = np.random.default_rng(unseen_seed())
    x = np.cumsum(rng.normal(0.0, 1e-10, 14_400))
    kept = np.ones(x.size, dtype=bool)
    kept[5000:8600] = False
    path = tmp_path / "phase.csv"
    rows = [f"{k},{x[k]:.16e}" for k in np.flatnonzero(kept)]
    path.write_text("time_s,phase_s\n" + "\n".join(rows) + "\n")

    found = lines(run("stability", str(path), "--taus", "1s,16s,4096s", "--json"))

    assert [row["tau_s"] for row in found] == [1.0, 16.0, 4096.0]
    _, expected, _, _ = allantools.oadev(x, rate=1.0, data_type="phase", taus=[1.0, 16.0])
    for row, true in zip(found[:2], expected, strict=True):
        assert row["value"] == pytest.approx(true, rel=0.1)
    m = 4096
    terms = [
        (x[i + 2 * m] - 2 * x[i + m] + x[i]) ** 2
        for i in range(x.size - 2 * m)
        if kept[i] and kept[i + m] and kept[i + 2 * m]
    ]
    by_hand = math.sqrt(np.mean(terms) / 2) / m
    assert found[2]["n"] == len(terms)
    assert found[2]["value"] == pytest.approx(by_hand, rel=1e-6)


def test_a_jump_during_a_gap_is_not_bridged(write: Callable[..., str]) -> None:
    """If the level jumped while readings were lost, no difference spans the gap."""
    offset = noise(2000)
    offset[1000:] += 1e-6
    lost = np.zeros(2000)
    lost[995:1000] = 1

    found = lines(run("stability", write(offset, lost), "--json"))

    assert max(row["value"] for row in found) < 1.3e-10
