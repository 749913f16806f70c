"""A visit that goes on with another counter: what is read, and what is refused and how."""

import shlex
from pathlib import Path

import numpy as np
import pytest
from command_kit import Command, command_in
from filled_record_kit import central_record
from report_kit import UNIT, FedWatch, MadeVisit
from visit_kit import HOUR_S, MadeBench

import benchwatch
from benchwatch import cli
from benchwatch.errors import UsageError
from benchwatch.measured_visit.visit_reader import read_measured_visit

STEP = 5e-9
"""Between the counters: what the second one reads beyond the first, with the unit unchanged."""
NOISE = 2e-11


@pytest.fixture
def command(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Command:
    """Run a command in this process, with a data folder of the test's own."""
    return command_in(capsys, monkeypatch, tmp_path)


def two_counters(
    folder: Path, second: str = "spare", identity: str = "MADE COUNTER,9 digits,SN 31,2.0"
) -> MadeVisit:
    """Return a visit whose second run, an hour later, was read by another counter."""
    made = FedWatch(MadeBench(folder), seed=11)
    made.begin(UNIT)
    made.feed([1e-9] * 200)
    made.watched.end()
    made.bench.clock.now_s += HOUR_S
    made.begin(UNIT, name=second)
    made.time_base("external", identity)
    made.feed([1e-9 + STEP] * 100)
    made.watched.end()
    return made.done()


def test_replay_reads_both_and_says_which(command: Command, tmp_path: Path) -> None:
    """Each reading has its counter's name; the sentence has runs and times."""
    folder = tmp_path / "home" / "benchwatch"
    folder.mkdir(parents=True)
    two_counters(folder)
    done = command("replay", "--visit", "1", "--json")

    readings = [line["counter"] for line in done.lines if line["kind"] == "reading"]
    assert (readings.count("main"), readings.count("spare")) == (200, 100)
    assert "visit 1 was measured by 2 counters: main (run 1, " in done.err
    assert " and spare (run 2, " in done.err


@pytest.mark.parametrize("words", [
    ("stability", "--visit", "1", "--taus", "1s"),
    ("budget", "--visit", "1", "--kind", "as found"),
    ("export", "--visit", "1", "--form", "csv", "--out", "-"),
], ids=lambda words: words[0])  # fmt: skip
def test_one_counter_is_chosen_by_the_command_that_is_named(
    command: Command, tmp_path: Path, words: tuple[str, ...]
) -> None:
    """The sentence has the whole command for each counter, and each of them works as it stands."""
    made = two_counters(tmp_path)
    refused = command(*words, "--journal", str(made.journal))

    assert refused.code == 2
    assert "a step between counters is not the unit's" in refused.err.lower()
    (said,) = (line for line in refused.err.splitlines() if "at a time: " in line)
    named = said.partition("at a time: ")[2].split(", or ")
    assert len(named) == 2
    for one, count in zip(named, (200, 100), strict=True):
        program, *typed = shlex.split(one)
        done = command(*typed)
        assert program == "benchwatch"
        assert done.code == 0, done.err
        assert "was measured by 2 counters" in done.err
        if words[0] == "budget":
            assert f"{count} readings over" in done.out
        if words[0] == "export":
            assert len([row for row in done.out.splitlines() if row[:1].isdigit()]) == count


def test_scripts_get_the_call_for_each(tmp_path: Path) -> None:
    """`read_visit` names the argument; what it returns notes which counters there were."""
    made = two_counters(tmp_path)

    with pytest.raises(
        UsageError, match=r"read_visit\(1, counter='main'\) or read_visit\(1, count"
    ):
        benchwatch.read_visit(1, journal=made.journal)
    spare = benchwatch.read_visit(1, journal=made.journal, counter="spare")

    assert len(spare) == 100
    assert any("was measured by 2 counters" in note for note in spare.notes)


@pytest.mark.parametrize("second", ["spare", "main"])
def test_the_deviations_of_the_report_are_of_one_counter(
    command: Command, tmp_path: Path, second: str
) -> None:
    """Those of the last: its white noise over √τ, and nothing of the step before it.

    σy(τ) of white FM falls as 1/√τ (NIST SP 1065, 5.2); the step of 5 ppb would stand far above.
    Another counter is one of another name, or one that answers otherwise.
    """
    made = two_counters(tmp_path, second)
    stability = read_measured_visit(made.visit, made.folder).stability
    out = tmp_path / "report.txt"
    done = command("report", "1", "--out", str(out), "--journal", str(made.journal))
    printed = " ".join(out.read_text(encoding="utf-8").split())

    assert done.code == 0, done.err
    assert stability is not None
    assert (stability.readings, stability.apart, stability.counter) == (100, 200, second)
    for one in stability.points:
        limit = 3 * NOISE / np.sqrt(one.tau_s) + 1e-11 / one.tau_s  # and the last digit
        assert one.value < limit, one
    assert f"100 readings of {second}" in printed
    assert "200 readings of another counter" in printed


def test_a_run_without_an_answer_between_two_counters_joins_none(tmp_path: Path) -> None:
    """It belongs to the first of that name; one that then answers otherwise is another counter."""
    made = FedWatch(MadeBench(tmp_path), seed=11)
    for identity, offset in (("FIRST,A,1,1", 1e-9), ("", 1e-9), ("SECOND,B,2,1", 1e-9 + STEP)):
        made.begin(UNIT)
        made.time_base("external", identity)
        made.feed([offset] * 100)
        made.watched.end()
        made.bench.clock.now_s += HOUR_S
    visit = made.done()

    stability = read_measured_visit(visit.visit, visit.folder).stability

    assert stability is not None
    assert (stability.readings, stability.apart) == (100, 200)


def test_a_visit_of_one_counter_says_nothing_of_it(command: Command, tmp_path: Path) -> None:
    """A counter that does not say who it is in one run is the same one."""
    made = two_counters(tmp_path, "main", identity="")
    done = command("stability", "--visit", "1", "--journal", str(made.journal))

    assert done.code == 0, done.err
    assert "was measured by" not in done.err


def test_one_name_of_two_counters(command: Command, tmp_path: Path) -> None:
    """They are told apart by their answers, and --run reads one run."""
    made = two_counters(tmp_path, "main")
    done = command("stability", "--visit", "1", "--journal", str(made.journal))

    assert done.code == 0, done.err
    assert "main that answers MADE COUNTER,9 digits,SN 31,2.0 (run 2, " in done.err
    assert "--run reads one run" in done.err


def test_the_words_typed_are_kept_for_the_sentence() -> None:
    """A context of the program has them, whatever the parser does with its list."""
    words = ["stability", "--visit", "a b"]
    with cli.cli.make_context("benchwatch", list(words)) as context:
        assert context.meta["benchwatch.typed"] == tuple(words)


def test_the_command_for_a_counter_of_the_record_has_no_password(
    command: Command, tmp_path: Path
) -> None:
    """It works as it stands, with the password where PostgreSQL's own programs look for it."""
    two_counters(tmp_path)
    with central_record(tide_007=tmp_path) as database:
        address = database.url.replace("postgres@", "postgres:hemlig@")
        for words in ((address, "--visit", "1"), ("--visit", "1", f"--journal={address}")):
            refused = command("stability", *words)
            (said,) = (line for line in refused.err.splitlines() if "at a time: " in line)
            named = said.partition("at a time: ")[2].split(", or ")
            done = command(*shlex.split(named[1])[1:])

            assert refused.code == 2
            assert "hemlig" not in refused.err
            assert done.code == 0, done.err
