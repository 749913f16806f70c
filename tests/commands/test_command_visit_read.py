"""All runs of a visit read back as one: which they are, and what can't be read."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from command_kit import Command, command_in
from command_kit import made_run as run
from pipeline_kit import START_UTC_S, reading
from register_kit import BENCH

from benchwatch.journal import Journal, default_path
from benchwatch.journal.schema import JournalRun
from benchwatch.register.register_entry import Draft
from benchwatch.register.register_file import RegisterFile, register_path


@pytest.fixture
def command(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Command:
    """Run a command in this process, with a data folder of the test's own."""
    return command_in(capsys, monkeypatch, tmp_path)


def visit(*runs: JournalRun, unit: str = "0417", simulated: bool = False) -> None:
    """Write the runs into the default journal, 10 readings each, and a visit that has them."""
    path = default_path()
    journal = Journal(path)
    for one in runs:
        journal.save_run(one)
        for second in range(1, 11):
            event = reading(second, f"10000000.{second % 3:04d}", counter=one.counter)
            journal.write(one.key, replace(event, utc_s=one.started_utc_s + second))
    journal.close()
    opening = {"source": "watch", "counter": "main", "resource": BENCH, "nominal_hz": "10000000",
               "tolerance": 5e-9}  # fmt: skip
    draft = Draft(kind="visit", unit=unit, document=opening, at_utc_s=START_UTC_S)
    kept = [
        {"run": one.key, "journal": path.name, "counter": one.counter, "resource": BENCH}
        for one in runs
    ]
    register = RegisterFile(register_path(path, simulated=simulated), who="anna")
    register.add([draft, *(replace(draft, kind="run", document=document) for document in kept)])


@pytest.mark.parametrize("words", [("budget",), ("stability",), ("replay",)], ids=" ".join)
def test_all_runs_of_a_visit_are_read(command: Command, words: tuple[str, ...]) -> None:
    """Those of another visit are not among them, and the interruptions are gaps."""
    visit(run(0), run(3))
    visit(run(1), unit="0418")
    done = command(*words, "--visit", "1", "--json")

    assert done.code == 0, done.err
    text = json.dumps(done.lines)
    if words == ("replay",):
        times = [line["time"] for line in done.lines if line["kind"] == "reading"]
        gaps = [line["reason"] for line in done.lines if line["kind"] == "gap"]
        assert len(times) == 20
        assert (times[0], times[10]) == ("2031-05-04T10:20:21.500Z", "2031-05-04T13:20:21.500Z")
        assert gaps == ["not watched between run 1 and run 2"]
    elif words == ("budget",):
        assert done.lines[-1]["readings"] == 20
    assert "T11:20" not in text


def test_the_run_of_another_visit_keeps_its_number(command: Command) -> None:
    """What --visit reads is what --run reads of each of its runs."""
    visit(run(0), run(3))
    visit(run(1), unit="0418")
    of_visit = command("budget", "--visit", "2", "--json")
    of_run = command("budget", "--run", "3", "--json")

    assert of_visit.out == of_run.out != ""


def test_a_visit_of_a_simulated_bench_is_apart(command: Command) -> None:
    """Its register is another one, which ``sim/`` names."""
    visit(run(0), simulated=True)
    apart = command("budget", "--visit", "sim/1", "--json")
    real = command("budget", "--visit", "1")

    assert apart.code == 0, apart.err
    assert real.code == 2
    assert "there is no visit 1" in real.err


def test_runs_of_a_visit_that_were_archived_are_said_to_be_elsewhere(
    command: Command, tmp_path: Path
) -> None:
    """Of a visit in two files the part that is there is read, and the other one is said."""
    visit(run(0, ended_utc_s=START_UTC_S + 20.0), run(50))
    archive = str(tmp_path / "old.db")
    command("journal", "archive", archive, "--before", "2031-05-04T12:00:00Z")
    part = command("budget", "--visit", "1", "--json")
    other = command("budget", archive, "--visit", "1", "--json")

    assert part.lines[-1]["readings"] == other.lines[-1]["readings"] == 10
    assert "visit 1 has 2 runs; 1 of them with readings in" in part.err


def test_a_clock_set_back_during_a_visit_changes_no_order(command: Command) -> None:
    """The run that was made later comes later, also if it is dated before, and that is said."""
    visit(run(5, identity="first"), run(2))
    done = command("replay", "--visit", "1", "--json")
    times = [line["time"] for line in done.lines if line["kind"] == "reading"]

    assert len(times) == 20
    assert times[0] == "2031-05-04T15:20:21.500Z"
    assert "by its dates run 2 begins before run 1 has ended" in done.err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--visit", "9"], "there is no visit 9 in "),
        (["--visit", "9" * 5000], "there is no visit 999"),
        (["--visit", "\x1b[31m"], "there is no visit ?[31m in "),
        (["--visit", ""], "there is no visit "),
        (["--visit", "1", "--run", "1"], "--run and --visit exclude each other"),
        (["{table}", "--visit", "1"], "{table} is no journal: give the one with its runs"),
    ],
    ids=lambda value: value[:30] if isinstance(value, str) else "",
)
def test_what_can_not_be_chosen_is_said(
    command: Command, tmp_path: Path, words: list[str], said: str
) -> None:
    """One sentence: what, where, and what to do; never a traceback."""
    visit(run(0))
    table = tmp_path / "table.csv"
    table.write_text("time_s,frequency_hz\n0,10000000.1\n1,10000000.1\n", encoding="utf-8")
    done = command("budget", *(word.format(table=table) for word in words))

    assert done.code == 2
    assert said.format(table=table) in done.err
    assert done.out == ""
