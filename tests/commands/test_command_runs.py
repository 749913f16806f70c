"""Earlier runs read back by number: which is read, what is said of it, and what can't be read."""

from dataclasses import replace
from pathlib import Path

import pytest
from command_kit import Command, command_in
from command_kit import made_run as run
from pipeline_kit import START_UTC_S, reading

from benchwatch.journal import Journal, default_path
from benchwatch.journal.schema import JournalRun, settings_text

SIMULATED = settings_text(simulated_bench="station")


@pytest.fixture
def command(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Command:
    """Run a command in this process, with a data folder of the test's own."""
    return command_in(capsys, monkeypatch, tmp_path)


def add(path: Path, *runs: JournalRun, offset: float = 0.0) -> None:
    """Write runs of 20 readings each, `offset` hertz above the nominal."""
    journal = Journal(path)
    for one in runs:
        journal.save_run(one)
        for second in range(1, 21):
            text = f"{10_000_000 + offset + 1e-4 * (second % 3):.4f}"
            event = reading(second, text, counter=one.counter)
            journal.write(one.key, replace(event, utc_s=one.started_utc_s + second))
    journal.close()


READING_COMMANDS = [
    ("replay", "--json"),
    ("budget", "--json"),
    ("stability", "--json"),
]


@pytest.mark.parametrize("words", READING_COMMANDS, ids=lambda words: words[0])
def test_without_a_file_the_newest_real_watch_is_read(command: Command, words: list[str]) -> None:
    """Which run that is, and that newer ones are of simulated benches, is said."""
    path = default_path()
    add(path, run(0), run(1, settings=SIMULATED), run(2, settings=SIMULATED))
    done = command(*words)
    named = command(*words, "--run", "1")

    assert done.code == 0, done.err
    assert "run 1 (main, " in done.err
    assert "newer of simulated ones: runs 2 to 3. --run reads another." in done.err
    assert str(path) in done.err
    assert done.out == named.out != ""
    assert "--run reads another" not in named.err


@pytest.mark.parametrize("words", READING_COMMANDS, ids=lambda words: words[0])
def test_a_run_is_read_by_its_number(command: Command, words: list[str], tmp_path: Path) -> None:
    """From the journal of ``watch``, and from one that is given as FILE."""
    path = tmp_path / "other.db"
    for where in (default_path(), path):
        add(where, run(0), offset=0.1)
        add(where, run(1), offset=0.3)
    first = command(*words, "--run", "1")
    second = command(*words, "--run", "2")
    of_file = command(*words, str(path), "--run", "2")

    assert (first.code, second.code, of_file.code) == (0, 0, 0), first.err
    assert first.out != second.out
    assert second.out.replace(str(default_path()), str(path)) == of_file.out


def test_the_readings_of_the_chosen_run_come_back(command: Command) -> None:
    """The numbers are those of that run and its dates are its own."""
    add(default_path(), run(0), offset=0.1)
    add(default_path(), run(1), offset=0.3)
    readings = [line for line in command("replay", "--run", "1", "--json").lines
                if line["kind"] == "reading"]  # fmt: skip

    assert len(readings) == 20
    assert readings[0]["frequency_hz"] == 10_000_000.1001
    assert readings[0]["time"] == "2031-05-04T10:20:21.500Z"


def test_a_journal_as_a_file_says_which_watch_is_read(command: Command, tmp_path: Path) -> None:
    """A watch of two counters is named with both, and replay plays both."""
    path = tmp_path / "other.db"
    add(path, run(0), run(1, counter="ten"), run(2, counter="five", watch=run(1).watch))
    done = command("replay", str(path), "--json")

    assert "runs 2 to 3 (ten and five, " in done.err
    assert {line["counter"] for line in done.lines if line["kind"] == "reading"} == {"ten", "five"}


def test_runs_of_one_watch_are_compared(command: Command, tmp_path: Path) -> None:
    """Without FILE all counters of the newest watch; with --run those that are named."""
    add(default_path(), run(1, counter="ten"), run(2, counter="five", watch=run(1).watch,
                                                   started_utc_s=run(1).started_utc_s))  # fmt: skip
    whole = command("compare", "--json")
    named = command("compare", "--run", "1", "--run", "2", "--json")
    alone = command("compare", "--run", "1")

    assert whole.code == 0, whole.err
    assert whole.out == named.out
    assert whole.lines[0]["first"] == "ten"
    assert alone.code == 2
    assert "two counters or more are compared" in alone.err


def test_runs_of_one_name_are_compared_by_number(command: Command) -> None:
    """Two watches at once that both called their counter main."""
    add(default_path(), run(0), run(1, started_utc_s=START_UTC_S))
    done = command("compare", "--run", "1", "--run", "2", "--json")

    assert done.code == 0, done.err
    assert (done.lines[0]["first"], done.lines[0]["second"]) == ("main", "run 2 main")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--run", "9"], "has no run 9. It has runs 1 to 4."),
        (["--run", "2"], "run 2 of {path} has no readings: give another."),
        (["{table}", "--run", "1"], "{table} is no journal, and has no runs: leave --run out."),
        (["{path}", "--journal", "{path}"], "FILE and --journal exclude each other"),
        (["--run", "0"], "Invalid value for '--run'"),
        (["--run", "one"], "Invalid value for '--run'"),
        (["--run", "9" * 30], "has no run"),
        (["--journal", "{path}.none"], "there is no journal at {path}.none yet: give a FILE"),
        (["--journal", "{table}"], "is damaged, or is no journal"),
        (["{folder}"], "can't be read: it is a folder, and has no file of an archive"),
    ],
)
def test_what_can_not_be_chosen_is_said(
    command: Command, tmp_path: Path, words: list[str], said: str
) -> None:
    """One sentence: what, where, and what to do; never a traceback."""
    path, table = default_path(), tmp_path / "table.csv"
    table.write_text("time_s,frequency_hz\n0,10000000.1\n1,10000000.1\n", encoding="utf-8")
    add(path, run(0))
    journal = Journal(path)
    journal.save_run(run(1))
    journal.close()
    add(path, run(2), run(3))
    names = {"path": str(path), "table": str(table), "folder": str(tmp_path)}
    done = command("budget", *(word.format(**names) for word in words))

    assert done.code in {2, 5}
    assert said.format(**names) in done.err
    assert "Traceback" not in done.err
    assert done.out == ""


def test_a_run_that_was_archived_is_said_to_be_elsewhere(command: Command, tmp_path: Path) -> None:
    """Its number is still its own in the journal, and reads it in the archive."""
    add(default_path(), run(0, ended_utc_s=START_UTC_S + 20.0))
    add(default_path(), run(5))
    archive = str(tmp_path / "old.db")
    command("journal", "archive", archive, "--before", "2031-05-04T11:00:00Z")
    gone = command("budget", "--run", "1")
    found = command("budget", archive, "--run", "1", "--json")

    assert gone.code == 2
    assert "run 1 was moved out of " in gone.err
    assert "It has run 2." in gone.err
    assert found.code == 0, found.err


def test_without_any_journal_a_file_is_asked_for(command: Command) -> None:
    """On a new computer there is nothing to read yet."""
    done = command("stability")

    assert done.code == 2
    assert "there is no journal at " in done.err
    assert "give a FILE to read, or watch a counter first" in done.err
